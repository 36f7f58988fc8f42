// Tells how far a computation is, and goes on to its result; without it the page's link does.
const state = document.getElementById("step");
const passed = document.getElementById("passed");
const EVERY_MS = 1000;

for (;;) {
  await new Promise(done => setTimeout(done, EVERY_MS));
  try {
    const reply = await fetch(location.href, { redirect: "manual", headers: { Accept: "text/html" } });
    if (!reply.ok) break;  // a redirect to the result, or an error that is to be read
    const page = new DOMParser().parseFromString(await reply.text(), "text/html");
    const step = page.getElementById("step");
    if (!step) break;
    if (state.textContent !== step.textContent) state.textContent = step.textContent;
    passed.textContent = page.getElementById("passed").textContent;
  } catch {
    continue;  // the network is gone for a moment: the work goes on without it
  }
}
location.reload();
