// One run: its steps with their clocks, the drops, the countdown, the photo. Everything is drawn from what is kept.
import { ask, clockOffset, clockText, el, field, phaseName, root, stationTime, t } from "./page.js";
import { change, clockJump, correctStep, lastOf, noteStep, readable, sendAll, tell, timeOf } from "./runs.js";
import { changeRun, onChange, runOf } from "./store.js";
import { photoControl } from "./photo.js";
import { hints } from "./camera.js";

const main = document.getElementById("run");
const ONCE = ["sample", "drops"];
let id = "", shown = "", ticking = [], lock = null, sound = null, rung = false, control = null, camera = null;

const minutes = (ms) => {
  const seconds = Math.max(0, Math.ceil(ms / 1000));
  return `${Math.floor(seconds / 60)}:${String(seconds % 60).padStart(2, "0")}`;
};
const stepsOf = (run) =>
  field.steps.filter((step) => (!step.phases.length || step.phases.includes(run.phase)) && step.id !== "photo");

/** A text that is drawn anew every second, by absolute times: a locked phone or a sleeping tab changes nothing. */
function live(tag, attributes, text) {
  const made = el(tag, attributes);
  ticking.push(() => { const now = text(); if (made.textContent !== now) made.textContent = now; });
  return made;
}

function waits(run, step) {
  return step.wait.flatMap((wait) => {
    const since = timeOf(run, wait.since);
    if (!since) return [];
    const from = stationTime(since);
    const least = wait.least === null ? null : from + wait.least * 60000;
    const most = wait.most === null ? null : from + wait.most * 60000;
    return [
      ...(least === null ? [] : [live("p", { class: "clock" }, () => (least > stationTime()
        ? t("run.wait", { clock: clockText(least), left: minutes(least - stationTime()) }) : t("run.waited")))]),
      ...(most === null ? [] : [live("p", { class: "fine" }, () => t("run.most", { clock: clockText(most) }))]),
    ];
  });
}

function doneStep(run, step) {
  const at = timeOf(run, step.id), first = lastOf(run, step.id);
  const move = (by) => async () => { await correctStep(id, step.id, by); await draw(); tell(id).then(draw); };
  return el("li", { class: "done" },
    el("strong", {}, clockText(stationTime(at))), " ", step.name,
    at === first ? null : el("span", {}, " ", t("run.first_at", { clock: clockText(stationTime(first)) })),
    el("details", {}, el("summary", {}, t("run.correct")),
      el("div", { class: "row" },
        el("button", { click: move(-1) }, t("run.earlier")), el("button", { click: move(1) }, t("run.later")),
        el("button", { click: ONCE.includes(step.id) ? move(null) : again(step) }, t("run.just_now"))),
      ...step.departures.map((code) => departure(run, step, code))));
}

const again = (step) => async () => { await noteStep(id, step.id, false); await draw(); tell(id).then(draw); };

function departure(run, step, code) {
  const has = run.departures.some((one) => one.code === code && one.step === step.id);
  return el("button", { class: "quiet", disabled: has, click: async () => {
    await change(id, (now) => { now.departures.push({ code, step: step.id }); });
    await draw();
    tell(id).then(draw);
  } }, has ? t("run.noted", { what: field.departures[code] }) : field.departures[code]);
}

function preparing(run) {
  const steps = stepsOf(run), open = steps.filter((step) => step.recorded && !lastOf(run, step.id));
  const next = open[0], before = steps.slice(0, steps.indexOf(next)).filter((step) => !step.recorded);
  const drops = next.id === "drops";
  return [
    ...before.filter((step) => steps.indexOf(step) > steps.findLastIndex((one) => lastOf(run, one.id)))
      .map((step) => el("p", {}, step.text)),
    el("p", { class: "step" }, next.text), next.amount ? el("p", {}, t("run.amount", { amount: next.amount })) : null,
    ...waits(run, next),
    el("button", { class: "act big", id: "next", "data-step": next.id, click: async () => {
      if (drops) { awake(); listen(); }
      await noteStep(id, next.id, ONCE.includes(next.id));
      await draw();
      tell(id).then(draw);
    } }, drops ? t("run.drops") : t("run.done", { step: next.name })),
  ];
}

function awake() {
  navigator.wakeLock?.request("screen").then((given) => {
    lock = given;
    given.addEventListener("release", () => { lock = null; drawNow(); });
    drawNow();
  }, () => {});
}

function listen() { // sound may start at a tap only
  try {
    if (navigator.audioSession) navigator.audioSession.type = "playback";
    sound ??= new AudioContext();
    sound.resume();
  } catch { sound = null; }
}

function ring() {
  if (rung) return;
  rung = true;
  navigator.vibrate?.([400, 200, 400]);
  if (sound?.state !== "running") return;
  const tone = sound.createOscillator();
  tone.connect(sound.destination);
  tone.start();
  tone.stop(sound.currentTime + 1.5);
}

function waiting() {
  const from = () => readable(run)?.[0] ?? 0, until = () => readable(run)?.[1] ?? 0;
  return [
    live("p", { class: "countdown", role: "timer" }, () => minutes(from() - stationTime())),
    live("p", {}, () => t("run.window", { from: clockText(from()), until: clockText(until()) })),
    live("p", { class: "step" }, () => t("run.set_timer", { clock: clockText(from()) })),
    navigator.wakeLock
      ? live("p", { class: "fine" }, () => (lock ? t("run.awake") : t("run.asleep"))) : el("p", { class: "fine" }, t("run.asleep")),
    el("button", { class: "quiet", click: () => { awake(); listen(); } }, t("run.keep_awake")),
  ];
}

function photographing() {
  camera ??= hints(run.lot);
  control ??= photoControl(id, t("run.photo"), (done) => location.assign(done.answer.to));
  return [
    live("p", { class: "countdown small", role: "timer" }, () => {
      const until = readable(run)?.[1];
      return until ? t("run.left", { left: minutes(until - stationTime()), clock: clockText(until) }) : t("run.no_window");
    }),
    el("p", { class: "step" }, t("run.how_photo")),
    ...control.parts,
    camera,
  ];
}

function late() {
  return [el("p", { class: "problem", role: "alert" }, t("run.late")), endButton("late")];
}

function endButton(why) {
  return el("button", { class: "quiet end", click: async () => {
    await tell(id);
    const { status, said } = await ask(`/runs/${id}/end?why=${why}`, { method: "POST" });
    const unknown = !run.station && status >= 400 && status < 500 && status !== 401; // the station never took it
    if (status !== 200 && !unknown) { run.problem = { status, text: said.error }; drawNow(); return; }
    await changeRun(id, (run) => { run.over = why; run.told = run.version; return run; });
    location.assign(`${root}/today`);
  } }, t(`run.end_${why}`));
}

/** Which part is shown; the page is built anew only when it changes, or something is noted. */
function part(run) {
  if (run.over || ["closed", "abandoned"].includes(run.station?.state)) return "over";
  if (run.answer && run.sent) return "answered";
  if (!timeOf(run, "drops")) return "preparing";
  if (run.photos.some((one) => !one.received)) return "unsent";
  const times = readable(run), now = stationTime();
  if (times && now < times[0]) return "waiting";
  return times && now > times[1] ? "late" : "readable";
}

let run = null;

async function draw() {
  run = await runOf(id);
  if (!run) {
    main.replaceChildren(el("p", { class: "problem" }, t("run.elsewhere")));
    return;
  }
  const which = part(run), sign = `${which} ${run.version}`;
  if (sign !== shown) build(which); // never only because the station has answered: a finger may be on a button
  shown = sign;
  drawNow();
}

function trouble() {
  if (run.problem) return run.problem.text;
  const jump = clockJump(run);
  return jump ? t("run.clock", { n: Math.round(Math.abs(jump) / 60000) }) : "";
}

function build(which) {
  ticking = [];
  const point = field.points.find((one) => one.id === run.point);
  const made = {
    preparing: () => preparing(run), waiting, readable: photographing, late, unsent: photographing,
    answered: () => [el("a", { class: "tile act", href: run.answer.to }, t("run.to_answer"))],
    over: () => [el("p", {}, t("run.over"))],
  }[which]();
  const open = [...main.querySelectorAll("details[open]")].length > 0;
  const focused = document.activeElement?.id;
  main.replaceChildren(
    el("p", { class: "what" }, `${point ? `${point.tank}, ${point.name}` : run.point} · ${phaseName(run.phase)} · ${run.lot} · ${run.id}`),
    live("p", { class: "problem", id: "problem", role: "alert" }, trouble),
    ...made.filter(Boolean),
    el("h2", {}, t("run.so_far")),
    el("ol", { class: "steps" }, ...stepsOf(run).filter((step) => lastOf(run, step.id)).map((step) => doneStep(run, step))),
    live("p", { class: "fine" }, () => (run.station?.departures ?? []).map((one) => one.text).join(" · ")),
    live("p", { class: "fine", id: "told" }, () => (run.told === run.version ? t("run.told") : t("run.untold"))),
    which === "over" || which === "answered" ? null
      : el("details", {}, el("summary", {}, t("run.end")), endButton("mistake"), endButton("spoilt")));
  if (open && which !== "unsent") main.querySelector("details")?.toggleAttribute("open", true);
  if (focused) document.getElementById(focused)?.focus();
}

function drawNow() {
  for (const tick of ticking) tick();
}

async function tick() {
  if (!run) return;
  const which = part(run);
  if (!shown.startsWith(`${which} `)) {
    if (which === "readable") ring();
    await draw();
  }
  drawNow();
}

async function open() {
  id = location.hash.slice(1);
  shown = "";
  control = camera = null;
  await clockOffset();
  await draw();
  if (run?.photos.some((one) => !one.received)) await control?.sendIt();
  else if (run) { await tell(id); await draw(); }
  sendAll();
}

onChange((changed) => { if (changed === id) draw(); });
setInterval(tick, 1000);
document.addEventListener("visibilitychange", async () => {
  if (document.visibilityState !== "visible") return;
  await draw();
  await tick();
  if (run) { await tell(id); await draw(); }
});
addEventListener("pageshow", tick);
addEventListener("hashchange", open);
await open();
