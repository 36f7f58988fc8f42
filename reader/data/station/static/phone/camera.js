// Live hints before the photo: small frames go to the station, which finds the plate in them. They measure nothing.
import { ask, el, t } from "./page.js";

const WIDTH = 800, EVERY = 200, QUALITY = 0.7;

/** The control that shows the camera with hints, for a plate of a lot; nothing where the browser gives no camera (plain HTTP). */
export function hints(lot) {
  if (!navigator.mediaDevices?.getUserMedia) return el("p", { class: "fine" }, t("hint.none_here"));
  const video = el("video", { playsinline: true, autoplay: true, hidden: true, "aria-label": t("hint.title") });
  video.muted = true;
  const said = el("p", { class: "hint", role: "status", hidden: true });
  const button = el("button", { class: "quiet hints" }, t("hint.start"));
  let stream = null;

  const stop = () => {
    for (const track of stream?.getTracks() ?? []) track.stop();
    stream = null;
    video.hidden = said.hidden = true;
    button.textContent = t("hint.start");
  };

  async function look() {
    const canvas = document.createElement("canvas");
    while (stream && video.isConnected) {
      const began = performance.now();
      if (video.videoWidth) {
        canvas.width = Math.min(WIDTH, video.videoWidth);
        canvas.height = Math.round((video.videoHeight * canvas.width) / video.videoWidth);
        canvas.getContext("2d").drawImage(video, 0, 0, canvas.width, canvas.height);
        const frame = await new Promise((done) => canvas.toBlob(done, "image/jpeg", QUALITY));
        const { status, said: answer } = await ask(`/hints?lot=${encodeURIComponent(lot)}`, { method: "POST", body: await frame?.arrayBuffer() });
        if (status === 200) {
          said.textContent = answer.hints.length
            ? answer.hints.map((one) => t(`hint.${one.code}`, one)).join(" · ") : t("hint.hold_still");
          said.dataset.codes = answer.hints.map((one) => one.code).join(" ") || "hold_still";
        } else said.textContent = status === 503 ? t("hint.busy") : answer.error;
      }
      await new Promise((done) => setTimeout(done, Math.max(0, EVERY - (performance.now() - began))));
    }
    stop();
  }

  button.addEventListener("click", async () => {
    if (stream) { stop(); return; }
    try {
      stream = await navigator.mediaDevices.getUserMedia({
        video: { facingMode: "environment", width: { ideal: 1280 } }, audio: false });
    } catch (error) {
      said.hidden = false;
      said.textContent = t("hint.no_camera", { why: error.name });
      return;
    }
    video.srcObject = stream;
    video.hidden = said.hidden = false;
    button.textContent = t("hint.stop");
    look();
  });
  document.addEventListener("visibilitychange", () => { if (document.visibilityState === "hidden") stop(); });
  addEventListener("pagehide", stop);
  return el("section", { class: "hints", "aria-label": t("hint.title") }, button, video, said);
}
