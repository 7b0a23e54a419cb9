// Fetches the page anew and swaps its content; when that fails, says so, since an old page must not pass for a live one.
"use strict";
let busy = false;
let lostSince = null;

async function refresh() {
  if (busy || document.hidden) return;
  busy = true;
  try {
    const answer = await fetch("/", { cache: "no-store", signal: AbortSignal.timeout(10000) });
    if (!answer.ok) throw new Error(String(answer.status));
    const fresh = new DOMParser().parseFromString(await answer.text(), "text/html");
    document.getElementById("page").replaceWith(document.adoptNode(fresh.getElementById("page")));
    document.title = fresh.title;
    lostSince = null;
  } catch {
    lostSince ??= new Date();
    const lost = document.getElementById("lost");
    lost.textContent = `The service has not answered since ${lostSince.toLocaleTimeString()}: what stands below is old.`;
    lost.hidden = false;
    document.getElementById("page").classList.add("lost");
  }
  busy = false;
}

// A button says its word by the one door in, which opens on this host only; then the page shows what became of it.
async function say(button) {
  const said = document.getElementById("said");
  button.disabled = true;
  said.hidden = true;
  try {
    const answer = await fetch("/api/grower", {
      method: "POST", body: button.dataset.word, signal: AbortSignal.timeout(10000),
      headers: { "Content-Type": "application/json", "X-Barreltide": "page" },
    });
    if (!answer.ok) throw new Error((await answer.json()).error);
  } catch (error) {
    said.textContent = `That was not taken: ${error.message}`;
    said.hidden = false;
  }
  button.disabled = false;
  refresh();
}

document.addEventListener("click", (event) => {
  const button = event.target.closest("button[data-word]");
  if (button) say(button);
});
setInterval(refresh, 5000);
document.addEventListener("visibilitychange", refresh);
