// Counts the minutes down that a plate may still be read, by the clock and not by ticks, as pages sleep.
const left = document.querySelectorAll("[data-until]");
function show() {
  for (const one of left) {
    one.textContent = String(Math.max(0, Math.floor((Date.parse(one.dataset.until) - Date.now()) / 60000)));
  }
}
if (left.length) {
  show();
  setInterval(show, 5000);
  document.addEventListener("visibilitychange", show);
}
