// Lets the pages of a run open without the station: what was seen last is shown, and only where nothing else comes.
const KEPT = "linecall-pages-1";
const SHELLS = ["today", "prepare", "run", "unsent"];
const SCRIPTS = ["today", "prepare", "run", "unsent", "answer", "page", "runs", "store", "sha256", "photo", "camera"];
const FILES = ["static/station.css", ...SCRIPTS.map((name) => `static/phone/${name}.js`)];
const NEW_PERSON = ["people", "sign-out", "pair", "language"]; // kept pages name whoever was signed in, in their language

const within = (url) => url.pathname.slice(new URL(self.registration.scope).pathname.length);

async function keep(kept, request) {
  const answer = await fetch(request);
  if (answer.ok && !answer.redirected) await kept.put(new URL(request.url).pathname, answer.clone());
  return answer;
}

async function keepAll(paths) {
  const kept = await caches.open(KEPT);
  const requests = paths.map((path) => new Request(new URL(path, self.registration.scope), { credentials: "same-origin" }));
  await Promise.allSettled(requests.map((request) => keep(kept, request)));
}

async function forget() {
  const kept = await caches.open(KEPT);
  await Promise.all(SHELLS.map((path) => kept.delete(new URL(path, self.registration.scope).pathname)));
}

self.addEventListener("install", (event) => {
  self.skipWaiting();
  event.waitUntil(keepAll([...SHELLS, ...FILES]));
});
self.addEventListener("activate", (event) => event.waitUntil(self.clients.claim()));
self.addEventListener("message", (event) => event.waitUntil(keepAll(SHELLS)));

self.addEventListener("fetch", (event) => {
  const url = new URL(event.request.url);
  if (url.origin !== location.origin) return;
  const path = within(url);
  if (event.request.method === "POST" && NEW_PERSON.includes(path)) event.waitUntil(forget());
  if (event.request.method !== "GET" || !(SHELLS.includes(path) || path.startsWith("static/"))) return;
  event.respondWith((async () => {
    const kept = await caches.open(KEPT);
    try {
      return await keep(kept, event.request);
    } catch (error) {
      const found = await kept.match(url.pathname);
      if (found) return found;
      throw error;
    }
  })());
});
