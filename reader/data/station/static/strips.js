// Saves each call as it is made, by fetch, and goes on once a window's two marks are called; without it forms do the same.
const form = document.getElementById("calls");
const said = document.getElementById("said");
const groups = [...form.querySelectorAll("fieldset")];
const buttons = [...form.querySelectorAll("button")];
const UNSEEN_MS = 350;  // a tap or key so soon after the page came was meant for the window before
const TRIES = 3;
const waiting = new Map();  // group -> its button whose call is on its way
let queue = Promise.resolve();

const sleep = ms => new Promise(done => setTimeout(done, ms));
const isCalled = group => waiting.has(group) || group.querySelector("[aria-pressed=true]");
const open = () => groups.find(group => !isCalled(group));

async function send(answer) {
  for (let attempt = 1; ; attempt++) {
    try {
      const reply = await fetch(form.action, {
        method: "POST",
        headers: { "Content-Type": "application/json", Accept: "application/json" },
        body: JSON.stringify({ answer }),
      });
      return [reply.ok, await reply.json()];
    } catch {
      if (attempt === TRIES) return [false, { error: said.dataset.lost }];
      await sleep(500 * attempt);
    }
  }
}

async function save(button, group) {
  const [taken, reply] = await send(button.value);
  if (waiting.get(group) === button) waiting.delete(group);
  button.removeAttribute("aria-busy");
  if (!taken) {
    said.textContent = reply.error;
    button.focus();
    return;
  }
  said.textContent = "";
  for (const other of group.querySelectorAll("button")) other.setAttribute("aria-pressed", String(other === button));
  if (reply.what) document.getElementById("what").textContent = reply.what;
  const label = document.querySelector(".windows [aria-current] span");
  const done = form.querySelectorAll("[aria-pressed=true]").length;
  label.textContent = label.textContent.replace(/[●○]+$/, "●".repeat(done) + "○".repeat(2 - done));
  if (reply.to) location.assign(reply.to);
}

function give(button) {
  const group = button.closest("fieldset");
  waiting.set(group, button);
  button.setAttribute("aria-busy", "true");
  open()?.querySelector("button").focus();
  queue = queue.then(() => save(button, group));
}

form.addEventListener("submit", event => {
  event.preventDefault();
  if (event.timeStamp > UNSEEN_MS) give(event.submitter);
});

document.addEventListener("keydown", event => {
  if (event.ctrlKey || event.metaKey || event.altKey || event.repeat || event.timeStamp < UNSEEN_MS) return;
  if (event.key === "ArrowLeft") document.getElementById("back").click();
  else if (event.key === "ArrowRight") document.getElementById("on").click();
  else {
    const group = document.activeElement?.closest("fieldset") ?? open() ?? groups[0];
    const button = [...group.querySelectorAll("button")].find(one => one.dataset.key === event.key.toUpperCase());
    if (!button || button.disabled) return;
    give(button);
  }
  event.preventDefault();
});

// Keys answer the mark that has the focus: the first without a call, the upper line before the lower.
(open() ?? groups[0]).querySelector("button").focus({ preventScroll: true });

const left = document.getElementById("left");
if (left) {
  const until = performance.now() + 1000 * Number(left.dataset.seconds);
  const tick = () => {
    const rest = Math.max(0, Math.ceil((until - performance.now()) / 1000));
    left.textContent = rest ? `${Math.floor(rest / 60)}:${String(rest % 60).padStart(2, "0")}` : left.dataset.over;
    if (!rest) for (const button of buttons) button.disabled = true;
    else setTimeout(tick, 500);
  };
  tick();
}
