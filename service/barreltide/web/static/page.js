// Keeps the page in step with the garden: when the service says that something changed, fetches the page anew and swaps
// its content; moves the water meanwhile. When the service is silent it says so, since an old page must not pass for a
// live one.
"use strict";
const SOON_MS = 10000, FRESH_MS = 3000, POLL_MS = 5000;
let busy = false, lostSince = null, newest = "", fetchedAt = Date.now(), stream = null;
const isOfNow = document.body.dataset.here === "Now";

const isEditing = () => document.querySelector("details[open], input:focus, select:focus, textarea:focus") !== null;

async function refresh() {
  if (busy || document.hidden || (isEditing() && Date.now() - fetchedAt < 60000)) return;
  busy = true;
  try {
    const answer = await fetch(location.pathname, { cache: "no-store", signal: AbortSignal.timeout(10000) });
    if (!answer.ok) throw new Error(String(answer.status));
    const fresh = new DOMParser().parseFromString(await answer.text(), "text/html");
    const held = [...document.querySelectorAll("button, summary")].indexOf(document.activeElement);
    for (const id of ["page", "asof"]) document.getElementById(id).replaceWith(document.adoptNode(fresh.getElementById(id)));
    if (held >= 0) document.querySelectorAll("button, summary")[held]?.focus({ preventScroll: true });
    document.title = fresh.title;
    fetchedAt = Date.now();
    lostSince = null;
    document.getElementById("lost").hidden = true;
    move();
  } catch {
    lostSince ??= new Date();
    const lost = document.getElementById("lost");
    lost.textContent = `The service has not answered since ${lostSince.toLocaleTimeString()}: what stands below is old.`;
    lost.hidden = false;
    document.getElementById("page").classList.add("lost");
  }
  busy = false;
}

// What has to be seen at once; all else may wait a few seconds.
const pressing = (now) => JSON.stringify([now.standing, now.returned, now.shelved, now.pumps,
  Object.values(now.beds ?? {}).map((bed) => [bed.wet, bed.phase, bed.cycles])]);

function listen() {
  stream = new EventSource("/api/live");
  stream.onmessage = (event) => {
    const what = pressing(JSON.parse(event.data));
    const age = Date.now() - fetchedAt;  // the first event after a fetch tells nothing new
    if ((what !== newest && (newest || age > FRESH_MS)) || lostSince || age > SOON_MS) refresh();
    newest = what;
  };
  stream.onerror = () => { if (stream.readyState === EventSource.CLOSED) stream = null; };
}

// Along the line of levels that the server has reckoned (pages/drawing.py).
function move() {
  const nowS = Date.now() / 1000 + ahead;
  for (const water of document.querySelectorAll(".water[data-since]")) {
    const line = water.dataset.line.split(" ").map((pair) => pair.split(":").map(Number));
    const passed = nowS - Number(water.dataset.since);
    let y = line.at(-1)[1];
    for (let n = 1; n < line.length; n += 1) {
      const [[fromS, a], [toS, b]] = [line[n - 1], line[n]];
      if (passed < toS) { y = a + ((b - a) * Math.max(passed - fromS, 0)) / (toS - fromS); break; }
    }
    water.setAttribute("transform", `translate(0 ${y.toFixed(1)})`);
  }
}
const clock = () => Number(document.getElementById("asof").dataset.nowS);
const ahead = clock() - Date.now() / 1000;  // the garden's clock, which a simulated garden has of its own

// A form says its word by the one door in; then the page shows what became of it.
async function say(form) {
  const said = document.getElementById("said"), button = form.querySelector("button");
  const word = JSON.parse(form.dataset.word);
  for (const [name, value] of new FormData(form)) {
    if (value !== "") word[name] = name === "for_s" ? Number(value) : value;
  }
  if (word.input !== "pump-rested") word.who = "the page";
  button.disabled = true;
  said.hidden = true;
  try {
    const answer = await fetch(form.getAttribute("action") ?? "/api/grower", {
      method: "POST", body: JSON.stringify(word), signal: AbortSignal.timeout(10000),
      headers: { "Content-Type": "application/json", "X-Barreltide": "page" },
    });
    if (!answer.ok) throw new Error((await answer.json()).error);
    form.closest("details")?.removeAttribute("open");
    document.activeElement?.blur();
  } catch (error) {
    said.textContent = `That was not taken: ${error.message}`;
    said.hidden = false;
  }
  button.disabled = false;
  refresh();
}

document.addEventListener("submit", (event) => {
  const form = event.target.closest("form[data-word]");
  if (!form) return;
  event.preventDefault();
  say(form);
});
if (isOfNow) {
  listen();
  setInterval(() => { if (stream === null) { listen(); refresh(); } else if (lostSince || stream.readyState !== EventSource.OPEN) refresh(); }, POLL_MS);
  setInterval(move, 1000);
  document.addEventListener("visibilitychange", refresh);
}
