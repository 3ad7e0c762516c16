// Lets this phone keep the last board; browsers allow it over HTTPS only.
"use strict";
if (window.isSecureContext && "serviceWorker" in navigator) {
  addEventListener("load", () => {
    navigator.serviceWorker.register("/sw.js", { scope: "/", updateViaCache: "none" }).catch(() => {});
  });
}
