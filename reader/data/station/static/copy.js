// Copies a link where the browser lets a page do so: over HTTPS, or from this machine itself.
const button = document.getElementById("copy");
if (navigator.clipboard) {
  button.hidden = false;
  button.addEventListener("click", async () => {
    await navigator.clipboard.writeText(document.getElementById("link").href);
    button.textContent = button.dataset.copied;
  });
}
