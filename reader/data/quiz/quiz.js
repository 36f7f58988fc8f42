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
  const TAP_MS = 250;  // a second tap sooner is a finger that bounced: the next mark is not its to answer
  let at = 0, begun = 0, seconds = 0, over = false, saved = true, warned = false, tapped = -TAP_MS;

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
  const first = plate => asked.findIndex(mark => mark[4] === plate);

  // Answers outlive a reload or a closed tab where the browser lets a page keep anything; the clock runs on meanwhile.
  const KEPT = `linecall quiz ${paper.paper}`;
  function keep() {
    try { localStorage.setItem(KEPT, JSON.stringify({ given, at, begun, seconds, saved })); return true; } catch { return false; }
  }
  function kept() {
    try {
      const found = JSON.parse(localStorage.getItem(KEPT));
      if (!(found.begun > 0)) return false;
      for (const [item, window, mark, calls] of asked) {
        const call = found.given[item]?.[window]?.[mark];
        if (calls.includes(call)) given[item][window][mark] = call;
      }
      begun = found.begun; seconds = found.seconds; saved = found.saved;
      at = Math.max(0, Math.min(asked.length - 1, found.at));
      return true;
    } catch { return false; }
  }
  function mayKeep() {
    try { localStorage.setItem(`${KEPT} may`, "1"); localStorage.removeItem(`${KEPT} may`); return true; } catch { return false; }
  }

  const elapsed = () => Math.max(0, Math.floor((Date.now() - begun) / 1000));
  const rest = () => paper.minutes === null ? Infinity : Math.max(0, paper.minutes * 60 - elapsed());

  const callButtons = Object.entries(KEYS).map(([key, call]) => {
    const button = document.createElement("button"), hint = document.createElement("kbd");
    button.type = "button"; button.textContent = call; hint.textContent = key.toUpperCase(); button.append(hint);
    button.onclick = event => {
      if (event.timeStamp - tapped < TAP_MS) return;
      tapped = event.timeStamp;
      give(call);
    };
    return [call, button];
  });
  $("calls").append(...callButtons.map(([, button]) => button));

  let shownPlate = -1;
  function showStrips(plate) {
    shownPlate = plate;
    $("windows").style.setProperty("--n", paper.items[plate].windows.length);
    $("windows").replaceChildren(...paper.items[plate].windows.map(one => {
      const button = document.createElement("button"), picture = document.createElement("img"), label = document.createElement("span");
      button.type = "button"; picture.src = one.picture; picture.alt = `window ${one.window}, flow upwards`;
      button.append(picture, label);
      button.onclick = () => { at = asked.findIndex(m => m[4] === plate && m[1] === one.window); show(); };
      return button;
    }));
  }
  function show() {
    const [item, window, mark, calls, plate] = asked[at], open = left();
    $("plate").textContent = `Plate ${plate + 1} of ${paper.items.length}`;
    $("done").value = asked.length - open; $("done").max = asked.length;
    if (plate !== shownPlate) showStrips(plate);
    paper.items[plate].windows.forEach((one, index) => {
      const button = $("windows").children[index], now = one.window === window;
      const done = Object.values(given[item][one.window]).filter(call => call !== null).length;
      button.className = now ? `strip now ${mark === one.lower ? "lower" : "upper"}` : "strip";
      button.lastChild.textContent = `${one.window} ${"\u25CF".repeat(done)}${"\u25CB".repeat(2 - done)}`;
      button.setAttribute("aria-label", `window ${one.window}, ${done} of 2 marks answered`);
      button.setAttribute("aria-pressed", String(now));
    });
    const place = mark === paper.items[plate].windows.find(one => one.window === window).lower ? "lower" : "upper";
    $("mark").textContent = `Window ${window}, ${place} line: the ${mark} mark`;
    for (const [call, button] of callButtons) {
      button.hidden = !calls.includes(call); button.disabled = over;
      button.setAttribute("aria-pressed", String(answer(at) === call));
    }
    $("back").disabled = at === 0;
    $("on").disabled = at === asked.length - 1;
    $("open").hidden = open === 0 || over;
    $("left").textContent = open ? `${open} of ${asked.length} marks unanswered` : `All ${asked.length} marks are answered${saved ? "" : ": save the answers"}`;
    $("save").className = open && !over ? "" : "main";
  }
  function give(call) {
    if (!begun || over || isOver() || !asked[at][3].includes(call)) return;
    given[asked[at][0]][asked[at][1]][asked[at][2]] = call;
    seconds = elapsed(); saved = warned = false;
    $("said").textContent = "";
    if (at < asked.length - 1) at++;
    if (!keep()) $("said").textContent = "This browser keeps nothing: save before you close or reload the page.";
    show();
  }
  function move(step) { at = Math.max(0, Math.min(asked.length - 1, at + step)); show(); }
  function turnPlate(step) {
    const plate = asked[at][4] + step;
    if (plate >= 0 && plate < paper.items.length) { at = first(plate); show(); }
  }
  function toOpen() {
    const open = asked.map((_, index) => (at + 1 + index) % asked.length).find(index => answer(index) === null);
    if (open !== undefined) { at = open; show(); }
  }
  function save() {
    isOver();
    const open = left();
    if (open && !over && !warned) {
      warned = true;
      $("said").textContent = `${open} mark${open > 1 ? "s are" : " is"} unanswered and would count as wrong. Press Save once more to save all the same.`;
      return;
    }
    const body = { format: 1, quiz: paper.quiz, paper: paper.paper, answers: given, seconds };
    const file = new Blob([canonical({ ...body, hash: sha256(canonical(body)) }) + "\n"], { type: "application/json" });
    const link = document.createElement("a");
    link.href = URL.createObjectURL(file); link.download = `answers-${paper.quiz}.json`; link.click();
    saved = true; warned = false; keep(); show();
    $("said").textContent = `Saved as ${link.download}, where your browser puts downloads. Hand this file to your trainer: answers are marked once.`;
  }
  function isOver() {
    if (over || rest() > 0) return over;
    over = true;
    $("said").textContent = left() ? "The time is over. Save the answers; what is unanswered counts as wrong." : "The time is over. Save the answers.";
    show();
    return true;
  }
  function tick() {
    const ended = isOver(), s = rest();
    $("time").textContent = ended ? "time over" : `${Math.floor(s / 60)}:${String(s % 60).padStart(2, "0")} left`;
    if (!ended) setTimeout(tick, 500);
  }
  function begin() {
    if (!$("work").hidden) return;
    if (!begun) { begun = Date.now(); keep(); }
    $("intro").hidden = true; $("work").hidden = $("done").hidden = false;
    show();
    if (paper.minutes !== null) { $("time").hidden = false; tick(); }
  }
  $("begin").onclick = begin; $("back").onclick = () => move(-1); $("on").onclick = () => move(1);
  $("open").onclick = toOpen; $("save").onclick = save;
  document.addEventListener("keydown", event => {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    const key = event.key.toLowerCase();
    if ($("work").hidden) { if (key === "enter") { event.preventDefault(); begin(); } return; }
    if (KEYS[key]) { if (!event.repeat) give(KEYS[key]); }  // a key held down answers one mark
    else if (key === "arrowright") move(1);
    else if (key === "arrowleft") move(-1);
    else if (key === "arrowdown" || key === "pagedown") turnPlate(1);
    else if (key === "arrowup" || key === "pageup") turnPlate(-1);
    else if (key === "n") toOpen();
    else if (key === "s") { if (!event.repeat) save(); }
    else return;
    event.preventDefault();
  });
  addEventListener("beforeunload", event => { if (!saved) event.preventDefault(); });

  const back = kept();
  $("keeps").textContent = back
    ? `You have begun already: ${asked.length - left()} of ${asked.length} marks are answered.${paper.minutes === null ? "" : " The clock has run on."}`
    : mayKeep()
    ? `This browser keeps your answers if the page is closed or reloaded${paper.minutes === null ? "" : "; the clock runs on meanwhile"}.`
    : "This browser keeps nothing for this page: do not close or reload it before you have saved.";
  if (back) $("begin").firstChild.data = "Go on ";
  $("begin").focus();
})();
