// What this phone keeps until the station has it: runs, and photos as ArrayBuffers (some browsers lose Blobs).
const NAME = "linecall", STORES = ["runs", "photos", "notes"];
const tabs = "BroadcastChannel" in window ? new BroadcastChannel("linecall") : null;
const listeners = [];
let opened = null;

/** Say that a run was changed, in this tab and the others. */
function say(id) {
  tabs?.postMessage(id);
  for (const call of listeners) call(id);
}

function open() {
  opened ??= new Promise((done, failed) => {
    const asked = indexedDB.open(NAME, 1);
    asked.onupgradeneeded = () => {
      asked.result.createObjectStore("runs", { keyPath: "id" });
      asked.result.createObjectStore("photos", { keyPath: "sha" });
      asked.result.createObjectStore("notes", { keyPath: "name" });
    };
    asked.onsuccess = () => {
      asked.result.onclose = () => { opened = null; }; // some systems close it behind our back
      asked.result.onversionchange = () => { asked.result.close(); opened = null; };
      done(asked.result);
    };
    asked.onerror = () => { opened = null; failed(asked.error); };
  });
  return opened;
}

async function within(mode, work, again = true) {
  try {
    const database = await open();
    return await new Promise((done, failed) => {
      const doing = database.transaction(STORES, mode, mode === "readwrite" ? { durability: "strict" } : {});
      let found;
      doing.oncomplete = () => done(found);
      doing.onabort = () => failed(doing.error ?? new Error("aborted"));
      work(doing, (value) => { found = value; });
    });
  } catch (error) {
    opened = null;
    if (again) return within(mode, work, false);
    throw error;
  }
}

const get = (store, key) =>
  within("readonly", (doing, give) => { doing.objectStore(store).get(key).onsuccess = (e) => give(e.target.result); });
const all = (store) =>
  within("readonly", (doing, give) => { doing.objectStore(store).getAll().onsuccess = (e) => give(e.target.result); });

export const runOf = (id) => get("runs", id);
export const runs = () => all("runs");
export const photoOf = (sha) => get("photos", sha);
export const note = async (name) => (await get("notes", name))?.value;
export const setNote = (name, value) => within("readwrite", (doing) => doing.objectStore("notes").put({ name, value }));

/** Change a run as it stands, whichever tab changed it last. change : gets the run, or undefined, and returns it. */
export async function changeRun(id, change) {
  const run = await within("readwrite", (doing, give) => {
    const store = doing.objectStore("runs");
    store.get(id).onsuccess = (found) => {
      const changed = change(found.target.result);
      if (changed === undefined) return;
      store.put(changed);
      give(changed);
    };
  });
  say(id);
  return run;
}

/** Keep a photo's bytes and its line in its run together: both or neither. */
export async function keepPhoto(id, line, data) {
  await within("readwrite", (doing) => {
    doing.objectStore("photos").put({ sha: line.sha, run: id, name: line.name, data });
    const store = doing.objectStore("runs");
    store.get(id).onsuccess = (found) => {
      const run = found.target.result;
      if (!run.photos.some((one) => one.sha === line.sha)) run.photos.push(line);
      run.sent = false;
      store.put(run);
    };
  });
  say(id);
}

export async function dropPhoto(sha) {
  await within("readwrite", (doing) => doing.objectStore("photos").delete(sha));
}

export async function dropRun(run) {
  await within("readwrite", (doing) => {
    for (const photo of run.photos) doing.objectStore("photos").delete(photo.sha);
    doing.objectStore("runs").delete(run.id);
  });
  say(run.id);
}

/** Call with a run's id whenever it was changed, in whichever tab. */
export function onChange(call) {
  listeners.push(call);
  if (tabs && listeners.length === 1) tabs.onmessage = (message) => { for (const one of listeners) one(message.data); };
}
