// Lets this phone take notices by Web Push (W3C Push API), sends a test through each channel, makes links for neighbours.
"use strict";
const word = document.getElementById("phone-word");
const ask = document.getElementById("subscribe"), trial = document.getElementById("try-notices");
const ours = { "Content-Type": "application/json", "X-Barreltide": "page" };

function bytes(key) {
  const text = atob(key.replace(/-/g, "+").replace(/_/g, "/").padEnd(Math.ceil(key.length / 4) * 4, "="));
  return Uint8Array.from(text, (letter) => letter.charCodeAt(0));
}

async function answered(path, options) {
  const answer = await fetch(path, options);
  const told = await answer.json();
  if (!answer.ok) throw new Error(told.error);
  return told;
}

async function subscribe(person) {
  if (!("serviceWorker" in navigator && "PushManager" in window)) throw new Error("this browser takes no push over this address");
  if ((await Notification.requestPermission()) !== "granted") throw new Error("this browser was not allowed to show notices");
  const { key } = await answered("/api/push/key");
  const worker = await navigator.serviceWorker.ready;
  const subscription = await worker.pushManager.subscribe({ userVisibleOnly: true, applicationServerKey: bytes(key) });
  const body = JSON.stringify({ person: person || null, subscription: subscription.toJSON() });
  const { phone } = await answered("/api/push/phones", { method: "POST", headers: ours, body });
  return phone;
}

ask?.addEventListener("submit", async (event) => {
  event.preventDefault();
  const button = ask.querySelector("button");
  button.disabled = true;
  try {
    word.textContent = `This is phone ${await subscribe(new FormData(ask).get("person"))}: notices reach it from now on.`;
  } catch (error) {
    word.textContent = `This phone could not be taken in: ${error.message}.`;
  }
  button.disabled = false;
});

trial?.addEventListener("submit", async (event) => {
  event.preventDefault();
  const button = trial.querySelector("button"), list = document.getElementById("tried");
  button.disabled = true;
  list.replaceChildren();
  const say = (text) => list.append(Object.assign(document.createElement("li"), { textContent: text }));
  try {
    const { channels } = await answered("/api/notices/test", { method: "POST", headers: ours, body: "{}" });
    for (const row of channels) say(`${row.channel}: ${row.error === null ? "taken" : `not taken: ${row.error}`}`);
    if (!channels.length) say("There is no channel yet.");
  } catch (error) {
    say(`No test was sent: ${error.message}.`);
  }
  button.disabled = false;
});

const told = document.getElementById("neighbour-word");
async function link(body, say) {
  try {
    say(await answered("/api/neighbour-link", { method: "POST", headers: ours, body: JSON.stringify(body) }));
  } catch (error) {
    told.textContent = `That was not taken: ${error.message}.`;
  }
}
document.getElementById("neighbour")?.addEventListener("submit", (event) => {
  event.preventDefault();
  const days = Number(new FormData(event.target).get("days"));
  link({ days }, (made) => { told.textContent = `Give them this, it is shown only once: ${location.origin}${made.link}`; });
});
document.getElementById("revoke")?.addEventListener("submit", (event) => {
  event.preventDefault();
  link({ revoke: true }, (made) => { told.textContent = `Taken back: ${made.revoked}.`; });
});
