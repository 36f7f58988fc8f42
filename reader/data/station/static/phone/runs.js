// A run on this phone: what is noted in it, and how the station is told until it has echoed every hash.
import { ask, clockOffset, noted, stationTime, written } from "./page.js";
import { changeRun, dropPhoto, keepPhoto, photoOf, runOf, runs } from "./store.js";
import { sha256 } from "./sha256.js";

const LETTERS = "0123456789abcdefghjkmnpqrstvwxyz"; // as the logbook's ids: no letter that is taken for another
const PIECE = 256 * 1024;
export const JUMP = 60 * 1000; // ms; a clock that moves by more within a run was set
const FIRST_WAIT = 5000, LONGEST_WAIT = 60000;

export function newId() {
  return Array.from(crypto.getRandomValues(new Uint8Array(8)), (byte) => LETTERS[byte & 31]).join("");
}

export async function begin(point, phase, lot, readingAge, operator) {
  const id = newId();
  await changeRun(id, () => ({
    id, point, phase, lot, operator, reading_age: readingAge, begun: noted(), steps: [], corrections: [],
    departures: [], photos: [], station: null, told: 0, version: 1, problem: null, sent: false,
  }));
  return id;
}

/** Change what is noted in a run; it is then told again. */
export const change = (id, work) =>
  changeRun(id, (run) => {
    if (!run) return undefined;
    if (work(run) === false) return undefined;
    run.version += 1;
    return run;
  });

export const lastOf = (run, step) => run.steps.findLast((one) => one.step === step);

/** When a step was, as it stands after corrections: {at, offset_s}. */
export function timeOf(run, step) {
  return run.corrections.findLast((one) => one.step === step) ?? lastOf(run, step);
}

export function noteStep(id, step, once) {
  const now = noted();
  return change(id, (run) => {
    if (once && lastOf(run, step)) return false; // another tab was quicker
    run.steps.push({ step, ...now });
    return true;
  });
}

/** Correct a step's time by minutes; null: it is done just now. Both times are kept. */
export function correctStep(id, step, minutes) {
  const now = noted();
  return change(id, (run) => {
    const from = timeOf(run, step);
    const moved = minutes === null ? now
      : { at: written(Date.parse(from.at) + minutes * 60000), offset_s: from.offset_s };
    if (stationTime(moved) > stationTime()) return false;
    run.corrections = run.corrections.filter((one) => one.step !== step || one.told);
    run.corrections.push({ step, ...moved, told: false });
    return true;
  });
}

/** From when to when the plate may be read, station's ms; null where the drops are not in or no time is known. */
export function readable(run) {
  const station = run.station;
  if (station?.readable_from && run.told === run.version) {
    return [Date.parse(station.readable_from), Date.parse(station.readable_until)];
  }
  const drops = timeOf(run, "drops");
  if (!drops || !run.reading_age) return null;
  return run.reading_age.map((minutes) => stationTime(drops) + minutes * 60000);
}

/** By how much this phone's clock was set since something was noted, ms; 0 where it was not. */
export function clockJump(run) {
  const offset = stationTime() - Date.now();
  const jumps = [run.begun, ...run.steps].filter((one) => one.offset_s !== null).map((one) => offset - one.offset_s * 1000);
  const largest = jumps.reduce((most, one) => (Math.abs(one) > Math.abs(most) ? one : most), 0);
  return Math.abs(largest) > JUMP ? largest : 0;
}

const bare = ({ step, at, offset_s }) => ({ step, at, offset_s });

/** Tell the station of a run. Returns the answer's status; 0 where it cannot be reached. */
export async function tell(id) {
  const run = await runOf(id);
  if (!run || run.adopted) return 200;
  await clockOffset();
  const { point, phase, lot, operator, begun, departures } = run;
  const json = {
    point, phase, lot, operator, begun, departures, steps: run.steps.map(bare),
    corrections: run.corrections.map(bare), now: written(Date.now()),
  };
  const { status, said } = await ask(`/runs/${id}`, { method: "PUT", json });
  if (status === 0) return 0;
  await changeRun(id, (now) => {
    if (!now) return undefined;
    now.problem = status === 200 ? null : { status, text: said.error };
    if (status === 200) {
      now.station = said;
      now.told = run.version;
      for (const one of now.corrections) {
        if (run.corrections.some((sent) => sent.at === one.at && sent.step === one.step)) one.told = true;
      }
    }
    return now;
  });
  return status;
}

/** Keep a photo as the camera's app gave it: its own bytes, never made smaller, as faint lines would go. */
export async function keep(id, file) {
  const taken = noted();
  const bytes = await file.arrayBuffer();
  if (!bytes.byteLength) throw new Error("empty");
  const sha = await sha256(bytes);
  await keepPhoto(id, { sha, name: file.name || "photo.jpg", size: bytes.byteLength, received: false, ...taken }, bytes);
  return sha;
}

async function upload(id, line, onPart) {
  const kept = await photoOf(line.sha);
  if (!kept) return { status: 200, said: {} }; // the station has it already
  let at = 0, answer = await ask(`/runs/${id}/photos/${line.sha}?at=0`, { method: "PUT", body: new ArrayBuffer(0) });
  let again = 0;
  for (;;) {
    const next = answer.said.next;
    if (answer.status !== 200 && !(answer.status === 409 && Number.isInteger(next) && again < 3)) return answer;
    if (answer.status === 409) again += 1;
    at = next;
    onPart?.(at / kept.data.byteLength);
    if (at >= kept.data.byteLength) return answer;
    const piece = kept.data.slice(at, at + PIECE);
    answer = await ask(`/runs/${id}/photos/${line.sha}?at=${at}`, { method: "PUT", body: piece });
  }
}

/** Send a run's photos and have them read as one plate; deleted here only once the station has echoed their hashes. */
export async function send(id, onPart) {
  const told = await tell(id);
  if (told !== 200) return told;
  const run = await runOf(id);
  if (!run?.photos.some((one) => !one.received)) return 200;
  for (const line of run.photos.filter((one) => !one.received)) {
    const { status, said } = await upload(id, line, onPart);
    if (status !== 200) return problem(id, status, said);
  }
  onPart?.(1);
  const photos = run.photos.map(({ sha, name, at, offset_s }) => ({ sha256: sha, name, at, offset_s }));
  const json = { photos, now: written(Date.now()) };
  const { status, said } = await ask(`/runs/${id}/send`, { method: "POST", json });
  if (status !== 200) return problem(id, status, said);
  await changeRun(id, (now) => {
    for (const one of now.photos) one.received ||= said.received.includes(one.sha);
    now.answer = { reading: said.reading, grade: said.grade ?? said.status, to: said.to };
    now.problem = null;
    now.sent = now.photos.every((one) => one.received);
    return now;
  });
  for (const sha of said.received) await dropPhoto(sha);
  return 200;
}

async function problem(id, status, said) {
  if (status !== 0) {
    await changeRun(id, (now) => {
      if (!now) return undefined;
      now.problem = { status, text: said.error };
      return now;
    });
  }
  return status;
}

export const isUnsent = (run) => run.photos.some((one) => !one.received) || (!run.adopted && run.told !== run.version);

let sending = null, wait = FIRST_WAIT, timer = 0;

async function sendEach(onPart) {
  let worst = 200;
  for (const run of await runs()) {
    if (run.over || !isUnsent(run)) continue;
    const status = await send(run.id, (share) => onPart?.(run.id, share));
    if (status !== 200) worst = status;
    if (status === 0) break;
  }
  return worst;
}

/** Send all that is unsent, one after the other; again later, with longer and longer waits, where that fails. */
export function sendAll(onPart) {
  clearTimeout(timer);
  const locked = navigator.locks
    ? () => navigator.locks.request("linecall-sending", () => sendEach(onPart)) : () => sendEach(onPart);
  sending ??= locked().then((status) => {
    sending = null;
    wait = status === 200 ? FIRST_WAIT : Math.min(2 * wait, LONGEST_WAIT);
    if (status !== 200) timer = setTimeout(() => sendAll(onPart), wait);
    return status;
  }, (error) => { sending = null; throw error; });
  return sending;
}

addEventListener("online", () => { wait = FIRST_WAIT; sendAll(); });
