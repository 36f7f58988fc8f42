// Today: what is under way on this phone, and how much is not sent yet.
import { clockText, el, root, t } from "./page.js";
import { isUnsent, readable, sendAll } from "./runs.js";
import { onChange, runs } from "./store.js";

const here = document.getElementById("here");

async function draw() {
  const mine = (await runs()).filter((run) => !run.sent && !run.over && !run.adopted);
  const unsent = (await runs()).filter(isUnsent);
  here.replaceChildren(
    ...mine.map((run) => {
      const times = readable(run);
      const when = times ? t("run.window", { from: clockText(times[0]), until: clockText(times[1]) }) : t("state.prepared");
      return el("a", { class: "tile now", href: `${root}/run#${run.id}` }, el("strong", {}, run.point), el("br"), when);
    }),
    ...(unsent.length ? [el("a", { class: "tile", href: `${root}/unsent` }, t("today.unsent", { n: unsent.length }))] : []),
  );
}

onChange(draw);
await draw();
await sendAll();
await draw();
navigator.serviceWorker?.controller?.postMessage("keep");
