// What is on this phone alone: listed, exported, sent, and deleted one by one.
import { el, phaseName, t } from "./page.js";
import { isUnsent, sendAll } from "./runs.js";
import { dropRun, onChange, photoOf, runs } from "./store.js";

const list = document.getElementById("list"), state = document.getElementById("state");

function save(name, parts, type) {
  const address = URL.createObjectURL(new Blob(parts, { type }));
  const link = el("a", { href: address, download: name });
  document.body.append(link);
  link.click();
  link.remove();
  setTimeout(() => URL.revokeObjectURL(address), 60000);
}

async function exportRun(run) {
  save(`run-${run.id}.json`, [JSON.stringify(run, null, 1)], "application/json");
  for (const line of run.photos) {
    const kept = await photoOf(line.sha);
    if (kept) save(`run-${run.id}-${line.name}`, [kept.data], "application/octet-stream");
  }
}

async function draw() {
  const unsent = (await runs()).filter((run) => isUnsent(run) && !run.over);
  list.replaceChildren(...unsent.map((run) => {
    const remove = el("button", { class: "quiet", click: async () => { await dropRun(run); await draw(); } }, t("unsent.delete_now"));
    return el("li", { class: "tile plain" },
      el("p", {}, el("strong", {}, `${run.point} · ${phaseName(run.phase)} · ${run.id}`)),
      el("p", {}, t("unsent.photos", { n: run.photos.filter((one) => !one.received).length })),
      run.problem ? el("p", { class: "problem" }, run.problem.text) : null,
      el("button", { class: "export", click: () => exportRun(run) }, t("unsent.export")),
      el("details", {}, el("summary", {}, t("unsent.delete")), el("p", {}, t("unsent.delete_why")), remove));
  }));
  state.textContent = unsent.length ? t("unsent.some", { n: unsent.length }) : t("unsent.none");
}

document.getElementById("send").addEventListener("click", async () => {
  state.textContent = t("run.sending");
  const status = await sendAll();
  await draw();
  if (status === 0) state.textContent = t("unsent.no_station");
  if (status === 401) state.textContent = t("unsent.sign_in");
});
onChange(draw);
await draw();
