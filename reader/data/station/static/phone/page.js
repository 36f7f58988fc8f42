// What the technician's pages share: texts, elements, the station's clock, and asking the station.
import { note, setNote } from "./store.js";

export const root = document.body.dataset.root;
export const data = JSON.parse(document.getElementById("data").textContent);
export const field = data.field;

/** What a phase is called; a site's own has its id. */
export const phaseName = (id) => data.texts[`phase_name.${id}`] ?? id;

/** The text of a code, filled in. */
export function t(code, values = {}) {
  const text = data.texts[code];
  if (text === undefined) throw new Error(`no text ${code}`);
  return text.replace(/\{(\w+)\}/g, (_, name) => String(values[name]));
}

/** An element; texts in it are texts, never markup. */
export function el(tag, attributes = {}, ...children) {
  const made = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) {
    if (typeof value === "function") made.addEventListener(name, value);
    else if (value === true) made.setAttribute(name, "");
    else if (value !== false && value !== null && value !== undefined) made.setAttribute(name, value);
  }
  made.append(...children.flat().filter((child) => child !== null && child !== undefined && child !== false));
  return made;
}

export const ROUND_TRIP_MAX = 5000; // ms; a slower answer says too little about the clocks
const CLOCK_WAIT = 1500; // ms
let offset = null; // ms; the station's clock minus this phone's

let within = Infinity; // ms; as far as it may be wrong

/** Of measurements that agree the closest one counts; one that cannot be reconciled with it means that a clock was set. */
function keepOffset(found, wrongBy) {
  if (offset !== null && wrongBy > within && Math.abs(found - offset) <= wrongBy + within) return;
  [offset, within] = [found, wrongBy];
  setNote("offset", offset).catch(() => {});
}

let measured = null;

/** Measure it once a page, as far as the station answers soon; else what was known last. */
export async function clockOffset() {
  offset ??= (await note("offset")) ?? null;
  measured ??= Promise.race([ask("/clock"), new Promise((done) => setTimeout(done, CLOCK_WAIT))]);
  await measured;
  return offset;
}

/** An instant as the logbook writes it. */
export const written = (ms) => `${new Date(ms).toISOString().slice(0, 19)}+00:00`;

/** Now, by this phone's clock, with what is known of its offset. */
export function noted() {
  return { at: written(Date.now()), offset_s: offset === null ? null : Math.round(offset) / 1000 };
}

/** The station's time, ms, of something noted; of now without it. */
export function stationTime(one) {
  return one ? Date.parse(one.at) + (one.offset_s === null ? offset ?? 0 : one.offset_s * 1000) : Date.now() + (offset ?? 0);
}

export function clockText(ms) {
  const options = { hour: "2-digit", minute: "2-digit", hourCycle: "h23" };
  if (field?.zone) options.timeZone = field.zone;
  return new Intl.DateTimeFormat(document.documentElement.lang, options).format(ms);
}

/** Ask the station. Returns status (0 where it cannot be reached) and what it said. */
export async function ask(path, { method = "GET", body, json } = {}) {
  const before = Date.now();
  try {
    const answer = await fetch(root + path, {
      method,
      body: json === undefined ? body : JSON.stringify(json),
      headers: { Accept: "application/json", ...(json === undefined ? {} : { "Content-Type": "application/json" }) },
      cache: "no-store",
    });
    const after = Date.now();
    const said = answer.headers.get("content-type")?.startsWith("application/json")
      ? await answer.json() : { error: await answer.text() };
    if (said.now && after - before < ROUND_TRIP_MAX) {
      keepOffset(Date.parse(said.now) - (before + after) / 2, (after - before) / 2);
    }
    return { status: answer.status, said };
  } catch {
    return { status: 0, said: { error: t("unsent.no_station") } };
  }
}

if ("serviceWorker" in navigator) navigator.serviceWorker.register(`${root}/worker.js`, { scope: `${root}/` }).catch(() => {});
navigator.storage?.persist?.().catch(() => {});
