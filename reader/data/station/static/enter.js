// Posts the secret that stands behind the # of a sign-in link, where no server log has it, once.
const state = document.getElementById("state");

async function signIn() {
  const secret = location.hash.slice(1);
  if (!secret) return;
  history.replaceState(null, "", location.pathname);
  state.textContent = state.dataset.wait;
  try {
    const answer = await fetch(`${document.body.dataset.root}/pair`, {
      method: "POST",
      headers: { "Content-Type": "application/json", Accept: "application/json" },
      body: JSON.stringify({ secret }),
    });
    const said = await answer.json();
    if (answer.ok) location.replace(said.to);
    else state.textContent = said.error;
  } catch (error) {
    state.textContent = String(error);
  }
}

addEventListener("hashchange", signIn);  // a second link, opened where this page stands already
await signIn();
