// The service worker: keeps the pages and their last state for when there is no network, and shows what is pushed.
// A page that comes out of the keep says how old it is: page.js reads the moment of its keeping from `kept`.
"use strict";
const KEEP = "barreltide-1";
const SHELL = ["/", "/nights", "/static/almanac.css", "/static/page.js", "/static/icon.svg", "/manifest.webmanifest"];
const PATIENCE_MS = 6000, MOST_KEPT = 60;

self.addEventListener("install", (event) => {
  self.skipWaiting();
  event.waitUntil(caches.open(KEEP).then((keep) => Promise.allSettled(SHELL.map((path) => fetched(path, keep)))));
});

self.addEventListener("activate", (event) => {
  event.waitUntil(Promise.all([
    self.clients.claim(),
    caches.keys().then((names) => Promise.all(names.filter((name) => name !== KEEP).map((name) => caches.delete(name)))),
  ]));
});

async function fetched(request, keep) {
  const answer = await fetch(request, { signal: AbortSignal.timeout(PATIENCE_MS) });
  // Of pages only ours are kept: what a sign-in has put in the place of one is not.
  const isPage = answer.headers.get("content-type")?.startsWith("text/html");
  const isOurs = answer.headers.has("x-barreltide-page");
  if (answer.status === 401 && isOurs) await caches.delete(KEEP);  // no longer signed in: nothing stays to be looked at
  if (answer.ok && !answer.redirected && (!isPage || isOurs)) {
    await keep.put(request, answer.clone());
    const kept = await keep.keys();  // what was put down longest ago comes first
    await Promise.all(kept.slice(0, -MOST_KEPT).map((old) => keep.delete(old)));
  }
  return answer;
}

async function newestOrKept(request) {
  const keep = await caches.open(KEEP);
  try {
    return await fetched(request, keep);
  } catch (error) {
    if (request.destination === "") throw error;  // asked by a script: an open page must not take its own past for news
    const kept = await keep.match(request) ?? (request.mode === "navigate" ? await keep.match("/") : undefined);
    if (kept === undefined) throw error;
    return kept;
  }
}

self.addEventListener("fetch", (event) => {
  const { request } = event, { pathname, origin } = new URL(request.url);
  const isOfPages = origin === location.origin && request.method === "GET" && !/^\/(api|answer)\//.test(pathname);
  if (isOfPages && pathname !== "/worker.js") event.respondWith(newestOrKept(request));
});

// What is pushed: notices/push.py. A newer notice of an alarm takes the place of the older one.
self.addEventListener("push", (event) => {
  const told = event.data?.json() ?? { title: "Barreltide", body: "Something was told, but not what. Look at the page." };
  event.waitUntil(self.registration.showNotification(told.title, {
    body: told.body, tag: told.tag, renotify: Boolean(told.tag) && told.kind !== "success",
    requireInteraction: told.priority === "urgent" && told.kind !== "success",
    icon: "/static/icon-192.png", badge: "/static/icon-192.png", data: { address: told.address ?? "/" },
  }));
});

self.addEventListener("notificationclick", (event) => {
  event.notification.close();
  const address = new URL(event.notification.data?.address ?? "/", location.origin);
  if (address.origin !== location.origin) return;
  event.waitUntil((async () => {
    const open = await self.clients.matchAll({ type: "window", includeUncontrolled: true });
    for (const page of open) {
      try {
        const led = await page.navigate(address.href);
        return await led?.focus().catch(() => led);
      } catch { /* that page is not ours to lead; open one */ }
    }
    return self.clients.openWindow(address.href);
  })());
});
