// Sends a photo in pieces, as it is, and then the rest of its form.
const PIECE = 256 * 1024;
const TRIES = 4;
const sleep = ms => new Promise(done => setTimeout(done, ms));

async function ask(address, options) {
  for (let attempt = 1; ; attempt++) {
    try {
      const reply = await fetch(address, { ...options, headers: { Accept: "application/json", ...options.headers } });
      const said = await reply.json();
      if (!reply.ok) throw Object.assign(new Error(said.error), { told: true });
      return said;
    } catch (error) {
      if (error.told || attempt === TRIES) throw error;
      await sleep(800 * attempt);
    }
  }
}

for (const form of document.querySelectorAll("form.upload")) {
  const state = form.querySelector("[role=status]");
  const button = form.querySelector("button");
  form.addEventListener("submit", async event => {
    event.preventDefault();
    const [file] = form.querySelector("input[type=file]").files;
    if (!file || button.disabled) return;
    button.disabled = true;
    try {
      const json = { "Content-Type": "application/json" };
      const body = JSON.stringify({ name: file.name, size: file.size });
      const { id } = await ask(form.dataset.photos, { method: "POST", headers: json, body });
      for (let at = 0; at < file.size; ) {
        state.textContent = `${state.dataset.sending} ${Math.round((100 * at) / file.size)} %`;
        const piece = await file.slice(at, at + PIECE).arrayBuffer();
        ({ next: at } = await ask(`${form.dataset.photos}/${id}?at=${at}`, { method: "PUT", body: piece }));
      }
      form.action = form.dataset.to + id;
      form.submit();
    } catch (error) {
      state.textContent = error.told ? error.message : state.dataset.lost;
      button.disabled = false;
    }
  });
}
