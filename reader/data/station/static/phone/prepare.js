// Prepare: point, plate lot and phase; choosing the phase begins the run.
import { clockOffset, el, field, phaseName, root, t } from "./page.js";
import { begin, tell } from "./runs.js";

const main = document.getElementById("prepare");
let point = null, lot = null;

function lots() {
  const known = field.lots.filter((one) => one.usable);
  const last = known.find((one) => one.id === point.lot) ?? (known.length === 1 ? known[0] : null);
  lot ??= last;
  return el("fieldset", {},
    el("legend", {}, t("prepare.lot")),
    ...field.lots.map((one) =>
      el("label", { class: "tile choice" },
        el("input", { type: "radio", name: "lot", value: one.id, checked: one === lot, disabled: !one.usable,
          change: () => { lot = one; draw(); } }),
        el("span", {}, el("strong", {}, one.id), el("br"),
          one.usable ? t("prepare.expiry", { expiry: one.expiry }) : t("prepare.unusable", { expiry: one.expiry })))));
}

function draw() {
  if (!point) {
    main.replaceChildren(el("h2", {}, t("prepare.point")),
      el("nav", { class: "tiles" }, ...field.points.map((one) =>
        el("a", { class: "tile", href: `${root}/prepare#${one.id}` }, `${one.tank}, ${one.name} `,
          el("span", { class: "id" }, `(${one.id})`)))));
    return;
  }
  main.replaceChildren(
    el("h2", {}, `${point.tank}, ${point.name}`),
    el("p", {}, `${point.id}: ${point.fuel}`),
    el("p", {}, point.where), el("p", {}, point.how), el("p", { class: "fine" }, field.caution),
    lots(),
    el("h2", {}, t("prepare.phase")),
    el("div", { class: "tiles" }, ...field.phases.map((phase) =>
      el("button", { class: "tile phase", "data-phase": phase.id, disabled: !lot, click: () => start(phase) },
        el("strong", {}, phaseName(phase.id)), el("br"), phase.text))),
    ...(lot ? [] : [el("p", {}, t("prepare.choose_lot"))]));
}

async function start(phase) {
  for (const button of main.querySelectorAll(".phase")) button.disabled = true;
  await clockOffset();
  const id = await begin(point.id, phase.id, lot.id, lot.reading_age, field.operator);
  await Promise.race([tell(id), new Promise((done) => setTimeout(done, 1500))]);
  location.assign(`${root}/run#${id}`);
}

function choose() {
  const id = decodeURIComponent(location.hash.slice(1));
  point = field.points.find((one) => one.id === id) ?? null;
  lot = null;
  draw();
}

addEventListener("hashchange", choose);
choose();
