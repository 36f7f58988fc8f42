// Lets the pages of a run open without the station: what was seen last is shown, and only where nothing else comes.
const KEPT = "linecall-pages-1";
const SHELLS = ["today", "prepare", "run", "unsent"];

self.addEventListener("install", (event) => {
  self.skipWaiting();
  event.waitUntil(caches.open(KEPT).then((kept) => Promise.allSettled(
    ["prepare", "run", "unsent", "today", ...["today", "prepare", "run", "unsent", "answer", "page", "runs", "store", "sha256", "photo", "camera"]
      .map((name) => `static/phone/${name}.js`), "static/station.css"].map((path) => keep(kept, new Request(path))))));
});
self.addEventListener("activate", (event) => event.waitUntil(self.clients.claim()));

async function keep(kept, request) {
  const answer = await fetch(request, { credentials: "same-origin" });
  if (answer.ok && !answer.redirected) await kept.put(new URL(request.url).pathname, answer.clone());
  return answer;
}

function isKept(url) {
  const path = url.pathname.slice(new URL(self.registration.scope).pathname.length);
  return SHELLS.includes(path) || path.startsWith("static/");
}

self.addEventListener("fetch", (event) => {
  const url = new URL(event.request.url);
  if (event.request.method !== "GET" || url.origin !== location.origin || !isKept(url)) return;
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
