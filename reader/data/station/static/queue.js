// Counts the minutes down that a plate may still be read, by the station's clock and not by ticks: pages sleep, and a desk's
// own clock may be wrong.
const left = document.querySelectorAll("[data-until]");
let offset = 0; // ms; the station's clock minus this desk's

function show() {
  for (const one of left) {
    const minutes = Math.floor((Date.parse(one.dataset.until) - Date.now() - offset) / 60000);
    one.textContent = String(Math.max(0, minutes));
  }
}

async function measure() {
  try {
    const answer = await fetch(`${document.body.dataset.root}/clock`, { cache: "no-store" });
    if (answer.ok) offset = Date.parse((await answer.json()).now) - Date.now();
    show();
  } catch { /* the station's own figure stands until it answers again */ }
}

if (left.length) {
  await measure();
  setInterval(show, 5000);
  document.addEventListener("visibilitychange", measure);
}
