// Takes earlier copies away and removes itself.
"use strict";
self.addEventListener("install", () => self.skipWaiting());
self.addEventListener("activate", (event) => {
  event.waitUntil((async () => {
    for (const name of await caches.keys()) {
      if (name.startsWith("garden-")) await caches.delete(name);
    }
    await self.registration.unregister();
  })());
});
