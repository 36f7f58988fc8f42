// Deciding by keys: a window's number, r for its reference mark, then a call's first letter; then the reason, and Enter.
const form = document.getElementById("decide");
const reason = document.getElementById("reason");
const chosen = document.getElementById("chosen");
const keys = document.getElementById("keys");
let window_ = null;
let mark = "indicator";

function group() {
  return form.querySelector(`fieldset[data-window="${window_}"][data-mark="${mark}"]`);
}

function aim() {
  for (const other of form.querySelectorAll(".aimed")) other.classList.remove("aimed");
  const here = group();
  if (!here) return;
  here.classList.add("aimed");
  here.closest("article").scrollIntoView({ block: "start" });
}

function tell() {
  const said = [...form.querySelectorAll("fieldset input:checked")].filter((one) => one.value);
  chosen.textContent = said.length
    ? said.map((one) => `${one.closest("fieldset").dataset.said}: ${one.nextElementSibling.textContent}`).join("; ")
    : chosen.dataset.none;
}

function press(event) {
  if (event.ctrlKey || event.altKey || event.metaKey || event.isComposing) return;
  if (event.target === reason) {
    if (event.key === "Escape") reason.blur();
    return;
  }
  if (!keys.checked || event.target.matches("input:not([type=radio]), textarea, select")) return;
  const key = event.key.toLowerCase();
  if (/^[1-9]$/.test(key) && form.querySelector(`fieldset[data-window="${key}"]`)) {
    window_ = key;
    mark = form.querySelector(`fieldset[data-window="${key}"]`).dataset.mark;
    aim();
  } else if ((key === "r" || key === "i") && window_) {
    mark = key === "r" ? "reference" : "indicator";
    aim();
  } else if (window_ && group()) {
    const calls = [...group().querySelectorAll("input")].filter((one) => one.value);
    const call = calls.find((one) => one.value.startsWith(key));
    if (key.length !== 1 || !call) return;
    call.checked = true;
    tell();
    reason.focus();
  } else return;
  event.preventDefault();
}

if (form && reason) {
  for (const one of form.querySelectorAll("fieldset")) {
    one.dataset.said = one.querySelector("legend").firstChild.textContent.trim();
  }
  try {
    keys.checked = localStorage.getItem("keys") !== "off";
  } catch {} // a browser that keeps nothing: keys are on
  keys.addEventListener("change", () => {
    try {
      localStorage.setItem("keys", keys.checked ? "on" : "off");
    } catch {}
  });
  keys.closest(".keys").hidden = false;
  form.addEventListener("change", tell);
  document.addEventListener("keydown", press);
  if (form.querySelectorAll("article").length === 1) {
    const only = form.querySelector("fieldset");
    if (only) [window_, mark] = [only.dataset.window, only.dataset.mark];
    aim();
  }
  tell();
}
