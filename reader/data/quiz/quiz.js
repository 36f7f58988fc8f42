"use strict";
(() => {
  const paper = JSON.parse(document.getElementById("paper").textContent);
  const $ = id => document.getElementById(id);
  const KEYS = { p: "present", a: "absent", d: "doubtful", u: "undeveloped" };
  const asked = [];  // every mark: [item, window, mark, calls, plate]
  const given = {};
  paper.items.forEach((item, plate) => {
    given[item.item] = {};
    for (const window of item.windows) {
      given[item.item][window.window] = { indicator: null, reference: null };
      for (const mark of ["indicator", "reference"]) asked.push([item.item, window.window, mark, window[mark], plate]);
    }
  });
  let at = 0, begun = 0, over = false, saved = true;

  // SHA-256 (FIPS 180-4), as a page opened from a file may lack the browser's own
  const K = [], H = [];
  for (let n = 2; K.length < 64; n++) {
    let prime = true;
    for (let f = 2; f * f <= n; f++) if (n % f === 0) prime = false;
    if (!prime) continue;
    if (H.length < 8) H.push((n ** 0.5 % 1 * 2 ** 32) | 0);
    K.push((Math.cbrt(n) % 1 * 2 ** 32) | 0);
  }
  const sha256 = text => {
    const bytes = new TextEncoder().encode(text), size = ((bytes.length + 9 + 63) >> 6) << 6;
    const data = new Uint8Array(size), view = new DataView(data.buffer), h = H.slice(), w = new Int32Array(64);
    data.set(bytes); data[bytes.length] = 128;
    view.setUint32(size - 8, Math.floor(bytes.length / 2 ** 29)); view.setUint32(size - 4, bytes.length << 3);
    const turn = (x, n) => (x >>> n) | (x << (32 - n));
    for (let from = 0; from < size; from += 64) {
      for (let i = 0; i < 64; i++) {
        if (i < 16) { w[i] = view.getInt32(from + 4 * i); continue; }
        const a = w[i - 15], b = w[i - 2];
        w[i] = (w[i - 16] + w[i - 7] + (turn(a, 7) ^ turn(a, 18) ^ (a >>> 3)) + (turn(b, 17) ^ turn(b, 19) ^ (b >>> 10))) | 0;
      }
      let [a, b, c, d, e, f, g, z] = h;
      for (let i = 0; i < 64; i++) {
        const one = (z + (turn(e, 6) ^ turn(e, 11) ^ turn(e, 25)) + ((e & f) ^ (~e & g)) + K[i] + w[i]) | 0;
        const two = ((turn(a, 2) ^ turn(a, 13) ^ turn(a, 22)) + ((a & b) ^ (a & c) ^ (b & c))) | 0;
        z = g; g = f; f = e; e = (d + one) | 0; d = c; c = b; b = a; a = (one + two) | 0;
      }
      [a, b, c, d, e, f, g, z].forEach((value, i) => { h[i] = (h[i] + value) | 0; });
    }
    return h.map(x => (x >>> 0).toString(16).padStart(8, "0")).join("");
  };
  const canonical = x => x === null || typeof x !== "object" ? JSON.stringify(x)  // RFC 8785: integers and texts only
    : Array.isArray(x) ? `[${x.map(canonical).join(",")}]`
    : `{${Object.keys(x).sort().map(k => `${JSON.stringify(k)}:${canonical(x[k])}`).join(",")}}`;

  const answer = index => given[asked[index][0]][asked[index][1]][asked[index][2]];
  const left = () => asked.filter((_, index) => answer(index) === null).length;
  const plateOf = index => asked[index][4];
  const first = plate => asked.findIndex(mark => mark[4] === plate);

  function show() {
    const [item, window, mark, calls, plate] = asked[at];
    $("plate").textContent = `Plate ${plate + 1} of ${paper.items.length}`;
    $("windows").replaceChildren(...paper.items[plate].windows.map(one => {
      const button = document.createElement("button"), picture = document.createElement("img");
      const done = Object.values(given[item][one.window]).filter(call => call !== null).length;
      button.type = "button"; button.className = one.window === window ? "strip now" : "strip";
      picture.src = one.picture; picture.alt = `window ${one.window}, flow upwards`;
      button.append(picture, `${one.window}  ${done}/2`);
      button.onclick = () => { at = asked.findIndex(m => m[0] === item && m[1] === one.window); show(); };
      return button;
    }));
    $("mark").textContent = `Window ${window}: the ${mark} mark (the ${mark === paper.items[plate].windows.find(one => one.window === window).lower ? "lower" : "upper"} line)`;
    $("calls").replaceChildren(...calls.map(call => {
      const button = document.createElement("button"), key = document.createElement("kbd");
      button.type = "button"; button.textContent = call; key.textContent = call[0].toUpperCase(); button.append(key);
      button.setAttribute("aria-pressed", String(answer(at) === call));
      button.onclick = () => give(call);
      return button;
    }));
    $("back").disabled = at === 0;
    $("on").disabled = at === asked.length - 1;
    $("left").textContent = left() ? `${left()} of ${asked.length} marks to answer` : "all answered: save the answers";
    $("save").disabled = left() > 0 && !over;
  }
  function give(call) {
    if (over || !begun || !asked[at][3].includes(call)) return;
    given[asked[at][0]][asked[at][1]][asked[at][2]] = call;
    saved = false;
    if (at < asked.length - 1) at++;
    show();
  }
  function move(step) { at = Math.max(0, Math.min(asked.length - 1, at + step)); show(); }
  function turnPlate(step) {
    const plate = plateOf(at) + step;
    if (plate >= 0 && plate < paper.items.length) { at = first(plate); show(); }
  }
  function save() {
    if ($("save").disabled) return;
    const seconds = Math.round((Date.now() - begun) / 1000);
    const body = { format: 1, quiz: paper.quiz, paper: paper.paper, answers: given, seconds };
    const file = new Blob([canonical({ ...body, hash: sha256(canonical(body)) }) + "\n"], { type: "application/json" });
    const link = document.createElement("a");
    link.href = URL.createObjectURL(file); link.download = `answers-${paper.quiz}.json`; link.click();
    saved = true;
    $("said").textContent = `Saved as ${link.download}: hand this file to your trainer.`;
  }
  function tick() {
    const rest = Math.max(0, paper.minutes * 60 - Math.floor((Date.now() - begun) / 1000));
    $("time").textContent = `${Math.floor(rest / 60)}:${String(rest % 60).padStart(2, "0")} left`;
    if (rest > 0) return setTimeout(tick, 500);
    over = true;
    $("said").textContent = "The time is over. Save the answers; what is not answered counts as wrong.";
    show();
  }
  function begin() {
    if (begun) return;
    begun = Date.now();
    $("intro").hidden = true; $("work").hidden = false;
    if (paper.minutes !== null) tick();
    show();
  }
  $("begin").onclick = begin; $("back").onclick = () => move(-1); $("on").onclick = () => move(1); $("save").onclick = save;
  document.addEventListener("keydown", event => {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    const key = event.key.toLowerCase();
    if (!begun) { if (key === "enter") { event.preventDefault(); begin(); } return; }
    if (KEYS[key]) give(KEYS[key]);
    else if (key === "arrowright") move(1);
    else if (key === "arrowleft") move(-1);
    else if (key === "arrowdown" || key === "pagedown") turnPlate(1);
    else if (key === "arrowup" || key === "pageup") turnPlate(-1);
    else if (key === "s") save();
    else return;
    event.preventDefault();
  });
  addEventListener("beforeunload", event => { if (!saved) event.preventDefault(); });
})();
