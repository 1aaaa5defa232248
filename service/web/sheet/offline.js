"use strict";
// Keeps the sheets that were opened, so that they open again where there is no network.
// With a network the answer is always fetched anew: what is kept is only the second choice.
const NAME = "setup-sheets";
const MOST = 100;

self.addEventListener("install", () => self.skipWaiting());
self.addEventListener("activate", (event) => event.waitUntil(self.clients.claim()));
self.addEventListener("message", (event) => event.waitUntil(keepOpened(event.data)));
self.addEventListener("fetch", (event) => {
  const { method, mode } = event.request;
  if (method === "GET" && mode === "navigate") event.respondWith(newest(event.request));
});

// The first page was there before this worker: it asks to be kept.
async function keepOpened(address) {
  const url = new URL(address);
  if (url.origin !== self.location.origin) return;
  const answer = await fetch(url, { headers: { Accept: "text/html" } });
  await keep(url.href, answer);
}

async function newest(request) {
  try {
    const answer = await fetch(request);
    await keep(request.url, answer.clone());
    return answer;
  } catch (fault) {
    const kept = await caches.open(NAME);
    const found = await kept.match(request.url, { ignoreVary: true });
    if (found) return found;
    throw fault;
  }
}

async function keep(address, answer) {
  if (!answer.ok) return;
  const kept = await caches.open(NAME);
  // one of each, whatever language it was in
  await kept.delete(address, { ignoreVary: true });
  await kept.put(address, answer);
  const all = await kept.keys();
  for (const oldest of all.slice(0, Math.max(0, all.length - MOST))) {
    await kept.delete(oldest, { ignoreVary: true });
  }
}
