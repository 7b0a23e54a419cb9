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

setInterval(refresh, 5000);
document.addEventListener("visibilitychange", refresh);
