// Keeps the page in step with the garden: when the service says that something changed, fetches the page anew and swaps
// its content; moves the water meanwhile. When the service is silent it says so, since an old page must not pass for a
// live one.
"use strict";
const SOON_MS = 10000, FRESH_MS = 3000, POLL_MS = 5000;
let busy = false, lostSince = null, newest = "", fetchedAt = Date.now(), stream = null;
const hour = new Intl.DateTimeFormat("en-GB", { timeZone: document.body.dataset.zone, hour: "2-digit", minute: "2-digit", hour12: document.body.dataset.clock === "12" });
const isOfNow = document.body.dataset.here === "Now";

const isEditing = () => document.querySelector("details[open], input:focus, select:focus, textarea:focus") !== null;

// Of what has the focus: by its place, Enter might answer another alarm that has come before this one meanwhile.
const nameOf = (one) => JSON.stringify([one.closest("[id]")?.id, one.closest("form")?.dataset.word, one.textContent]);

async function refresh() {
  if (busy || document.hidden || (isEditing() && Date.now() - fetchedAt < 60000)) return;
  busy = true;
  try {
    const answer = await fetch(location.href, { cache: "no-store", signal: AbortSignal.timeout(10000) });
    if (answer.status === 401) { location.reload(); return; }  // the sign-in has run out
    if (!answer.ok) throw new Error(String(answer.status));
    const fresh = new DOMParser().parseFromString(await answer.text(), "text/html");
    const held = document.activeElement.matches("button, summary") ? nameOf(document.activeElement) : null;
    for (const id of ["page", "asof"]) document.getElementById(id).replaceWith(document.adoptNode(fresh.getElementById(id)));
    if (held) [...document.querySelectorAll("button, summary")].find((one) => nameOf(one) === held)?.focus({ preventScroll: true });
    document.title = fresh.title;
    fetchedAt = Date.now();
    lostSince = null;
    document.getElementById("lost").hidden = true;
    move();
  } catch {
    lostSince ??= new Date();
    const lost = document.getElementById("lost");
    lost.textContent = `The service has not answered since ${hour.format(lostSince)}: what stands below is old.`;
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
    const now = JSON.parse(event.data), what = pressing(now), age = Date.now() - fetchedAt;
    // The first event after a fetch tells nothing new, unless an alarm has come or gone between the two.
    const isNew = newest ? what !== newest : age > FRESH_MS || now.standing.length !== document.querySelectorAll(".alarm").length;
    if (isNew || lostSince || age > SOON_MS) refresh();
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

// Unix seconds of a local time in the garden's zone, whatever zone this browser is in.
function timeAt(local, form) {
  const guess = Date.parse(`${local}Z`);
  const there = new Intl.DateTimeFormat("sv-SE", { timeZone: form.dataset.zone, dateStyle: "short", timeStyle: "medium" });
  const offset = (ms) => Date.parse(`${there.format(ms).replace(" ", "T")}Z`) - Math.floor(ms / 1000) * 1000;
  return (guess - offset(guess - offset(guess))) / 1000;
}

// A form says its word by the one door in; then the page shows what became of it.
async function say(form) {
  const said = document.getElementById("said"), button = form.querySelector("button");
  const word = JSON.parse(form.dataset.word);
  for (const [name, value] of new FormData(form)) {
    if (value !== "") word[name] = name === "for_s" ? Number(value) : name === "time_s" ? timeAt(value, form) : value;
  }
  if (word.input && word.input !== "pump-rested") word.who = "the page";
  button.disabled = true;
  said.hidden = true;
  try {
    const answer = await fetch(form.getAttribute("action") ?? "/api/grower", {
      method: form.dataset.method ?? "POST", body: JSON.stringify(word), signal: AbortSignal.timeout(10000),
      headers: { "Content-Type": "application/json", "X-Barreltide": "page" },
    });
    if (!answer.ok) throw new Error((await answer.json()).error);
    form.reset();
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
// Who signs out leaves no pages behind on this device.
document.querySelector("form[action='/sign-out']")?.addEventListener("submit", () => { globalThis.caches?.delete("barreltide-1"); });
// A page out of the worker's keep is as old as its own clock says; a simulated garden's clock is not this browser's, so
// only what could not be fetched just now is called old.
async function keepForLater() {
  if (!("serviceWorker" in navigator)) return;
  try { await navigator.serviceWorker.register("/worker.js", { scope: "/" }); } catch { /* over plain HTTP: no keep */ }
}
async function ownUp() {
  try {
    await fetch("/api/health", { cache: "no-store", signal: AbortSignal.timeout(10000) });
  } catch {
    const lost = document.getElementById("lost"), [, when] = document.getElementById("asof").textContent.match(/^(?:as of )?(.*)$/);
    lost.textContent = `There is no way to the service: this is how it was at ${when}, ${age()} ago.`;
    lost.hidden = false;
    document.getElementById("page").classList.add("lost");
    lostSince ??= new Date();
  }
}
function age() {
  const minutes = Math.round((Date.now() / 1000 - clock()) / 60);
  return minutes < 120 ? `${minutes} min` : minutes < 2880 ? `${Math.round(minutes / 60)} h` : `${Math.round(minutes / 1440)} days`;
}
addEventListener("load", () => { keepForLater(); ownUp(); });
if (isOfNow) {
  listen();
  setInterval(() => { if (stream === null) { listen(); refresh(); } else if (lostSince || stream.readyState !== EventSource.OPEN) refresh(); }, POLL_MS);
  setInterval(move, 1000);
  document.addEventListener("visibilitychange", refresh);
}
