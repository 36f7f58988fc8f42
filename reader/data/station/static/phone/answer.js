// The answer asks at once for the second photo where a doubt is left; both are then read as one plate.
import { clockOffset, data, written } from "./page.js";
import { changeRun } from "./store.js";
import { photoControl } from "./photo.js";

const place = document.getElementById("again");
if (place) {
  const station = data.run;
  await clockOffset();
  await changeRun(station.id, (run) => {
    const now = run ?? {
      id: station.id, point: station.point, phase: station.phase, lot: station.lot, operator: station.operator,
      begun: { at: written(Date.parse(station.begun_at)), offset_s: 0 }, steps: [], corrections: [], departures: [], photos: [],
      told: 1, version: 1, problem: null, adopted: true,
    };
    const together = place.dataset.together === "yes";
    now.photos = now.photos.filter((one) => !one.received || (together && data.read.includes(one.sha)));
    for (const sha of together ? data.read : []) {
      if (!now.photos.some((one) => one.sha === sha)) {
        now.photos.unshift({ sha, name: "photo.jpg", received: true, at: written(Date.now()), offset_s: 0 });
      }
    }
    now.station = station;
    return now;
  });
  const control = photoControl(station.id, place.dataset.label, () => location.reload());
  place.replaceChildren(...control.parts);
}
