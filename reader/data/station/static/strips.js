// Saves each call as it is made, by fetch, and goes on once a window's two marks are called; without it forms do the same.
const form = document.getElementById("calls");
const said = document.getElementById("said");
const buttons = [...form.querySelectorAll("button")];
const BOUNCE_MS = 350;  // a second tap sooner, or one so soon after the page came, is a finger that bounced
const TRIES = 3;
let tapped = 0;
let sending = false;

const sleep = ms => new Promise(done => setTimeout(done, ms));

async function send(answer) {
  for (let attempt = 1; ; attempt++) {
    try {
      const reply = await fetch(form.action, {
        method: "POST",
        headers: { "Content-Type": "application/json", Accept: "application/json" },
        body: JSON.stringify({ answer }),
      });
      return [reply.ok, await reply.json()];
    } catch (error) {
      if (attempt === TRIES) return [false, { error: said.dataset.lost }];
      await sleep(500 * attempt);
    }
  }
}

async function give(button) {
  if (sending) return;
  sending = true;
  said.textContent = "";
  const [taken, reply] = await send(button.value);
  sending = false;
  if (!taken) {
    said.textContent = reply.error;
    return;
  }
  const group = button.closest("fieldset");
  for (const other of group.querySelectorAll("button")) other.setAttribute("aria-pressed", String(other === button));
  if (reply.what) document.getElementById("what").textContent = reply.what;
  const dots = document.querySelector(".windows [aria-current] span");
  const done = form.querySelectorAll("[aria-pressed=true]").length;
  dots.textContent = dots.textContent.replace(/[●○]+$/, "●".repeat(done) + "○".repeat(2 - done));
  if (reply.to) location.assign(reply.to);
  else (open(form) ?? form.querySelector("fieldset:last-of-type")).querySelector("button").focus();
}

const open = within => [...within.querySelectorAll("fieldset")].find(group => !group.querySelector("[aria-pressed=true]"));

form.addEventListener("submit", event => {
  event.preventDefault();
  const soon = event.timeStamp < BOUNCE_MS || event.timeStamp - tapped < BOUNCE_MS;
  if (soon) return;
  tapped = event.timeStamp;
  give(event.submitter);
});

document.addEventListener("keydown", event => {
  if (event.ctrlKey || event.metaKey || event.altKey || event.repeat) return;
  const key = event.key.toUpperCase();
  if (event.key === "ArrowLeft") document.getElementById("back").click();
  else if (event.key === "ArrowRight") document.getElementById("on").click();
  else {
    const focused = document.activeElement?.closest("fieldset");
    const group = focused ?? open(form) ?? form.querySelector("fieldset");
    const button = [...group.querySelectorAll("button")].find(one => one.dataset.key === key);
    if (!button) return;
    give(button);
  }
  event.preventDefault();
});

// Keys answer the mark that has the focus: the first without a call, the upper line before the lower.
(open(form) ?? form.querySelector("fieldset")).querySelector("button").focus({ preventScroll: true });

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
