// Keeps the last board for when there is no signal. KEEP is written in front of this by the server.
"use strict";
const FILES = "garden-files-" + KEEP.release;
const COPIES = "garden-copies-" + KEEP.release;
const WAIT_MS = 6000;

self.addEventListener("install", (event) => {
  event.waitUntil((async () => {
    const store = await caches.open(FILES);
    // Without cookies: what is kept here holds nobody's name.
    await Promise.all(KEEP.files.map(async (address) => {
      const answer = await fetch(new Request(address, { credentials: "omit", cache: "no-cache" }));
      if (answer.ok && !answer.redirected) await store.put(address, answer);
    }));
    await self.skipWaiting();
  })());
});

self.addEventListener("activate", (event) => {
  event.waitUntil((async () => {
    for (const name of await caches.keys()) {
      if (name.startsWith("garden-") && name !== FILES && name !== COPIES) await caches.delete(name);
    }
    await self.clients.claim();
  })());
});

self.addEventListener("message", (event) => {
  if (event.data === "forget") event.waitUntil(caches.delete(COPIES));
});

self.addEventListener("fetch", (event) => {
  const request = event.request;
  const address = new URL(request.url);
  if (address.origin !== self.location.origin) return;
  if (request.method !== "GET") {
    // Never answered here. But somebody else may be reading after this one.
    if (KEEP.signing.some((start) => address.pathname.startsWith(start))) {
      event.waitUntil(caches.delete(COPIES));
    }
    return;
  }
  const isPage = request.mode === "navigate";
  if (KEEP.pages.includes(address.pathname) && (isPage || request.destination === "")) {
    event.respondWith(newest(event, address, isPage));
  } else if (KEEP.files.includes(address.pathname + address.search)) {
    event.respondWith(kept(request, address));
  } else if (isPage) {
    event.respondWith(fetch(request).catch(() => caches.match(KEEP.offline)));
  }
});

async function kept(request, address) {
  return (await caches.match(address.pathname + address.search)) || fetch(request);
}

async function newest(event, address, isPage) {
  const key = address.pathname + address.search;
  const fresh = fetch(event.request).then(async (answer) => {
    const type = answer.headers.get("Content-Type") || "";
    if (answer.redirected || answer.type === "opaqueredirect") {
      await caches.delete(COPIES); // sent to the sign-in page: whoever this was may read no more
    } else if (answer.ok && type.startsWith("text/html")) {
      const copy = answer.clone();
      await (await caches.open(COPIES)).put(key, copy);
    }
    return answer;
  });
  event.waitUntil(fresh.catch(() => undefined));
  if (!isPage) return fresh;
  const slow = new Promise((resolve) => setTimeout(resolve, WAIT_MS, null));
  const answer = await Promise.race([fresh.catch(() => null), slow]);
  if (answer) return answer;
  const store = await caches.open(COPIES);
  // Another view of the same board is better than none.
  const copy = (await store.match(key)) || (await store.match(address.pathname)) ||
    (await store.match(KEEP.pages[0]));
  if (copy) return dated(copy);
  return fresh.catch(() => caches.match(KEEP.offline));
}

async function dated(copy) {
  const read = new Date(copy.headers.get("Date") || Date.now());
  const when = read.toLocaleString([], { weekday: "short", hour: "2-digit", minute: "2-digit" });
  const note = '<p class="note warn" role="status">No signal. This is the board as of ' +
    '<time datetime="' + read.toISOString() + '">' + when.replace(/[<>&]/g, "") +
    "</time>; what others did since is not on it.</p>";
  const html = (await copy.text()).replace(/(<main[^>]*>)/, "$1" + note);
  const headers = new Headers(copy.headers);
  headers.delete("Content-Encoding");
  headers.delete("Content-Length");
  return new Response(html, { status: 200, headers });
}
