// The photo: the camera app's own file, kept before anything else is done with it, then sent.
import { el, t } from "./page.js";
import { keep, sendAll } from "./runs.js";
import { onChange, runOf } from "./store.js";

/** The control that opens the camera's app. done : called with the run once the station has answered. */
export function photoControl(id, label, done) {
  const state = el("p", { role: "status", class: "sending" });
  const bar = el("progress", { max: 1, value: 0, hidden: true, "aria-label": t("run.sending") });
  const input = el("input", { type: "file", accept: "image/*", capture: "environment", id: "photo", class: "unseen" });
  const button = el("label", { class: "button act big photo", for: "photo" }, label);

  let waiting = false;
  onChange(async (changed) => { // whichever attempt it was that got through
    if (!waiting || changed !== id) return;
    const run = await runOf(id);
    if (waiting && run?.problem) state.textContent = run.problem.text;
    if (!waiting || !run?.sent) return;
    waiting = false;
    done(run);
  });

  async function sendIt() {
    waiting = true;
    bar.hidden = false;
    state.textContent = t("run.sending");
    await sendAll((run, share) => {
      if (run !== id) return;
      bar.value = share;
      if (share === 1) state.textContent = t("run.reading");
    });
    const run = await runOf(id);
    bar.hidden = true;
    if (run && !run.sent) state.textContent = run?.problem ? run.problem.text : t("run.kept");
  }

  input.addEventListener("change", async () => {
    const [file] = input.files;
    if (!file) return;
    state.textContent = t("run.keeping");
    try {
      await keep(id, file);
    } catch (error) {
      state.textContent = t("run.not_kept", { why: error.name });
      return;
    }
    input.value = "";
    await sendIt();
  });
  return { parts: [input, button, bar, state], sendIt };
}
