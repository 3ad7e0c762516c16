// The phone says where it is and in which zone, if it may and one wants it. Without script one types.
(function () {
  "use strict";
  var button = document.getElementById("here"), place = document.getElementById("place");
  var said = document.getElementById("here-said");
  try {
    document.getElementById("zone").value = Intl.DateTimeFormat().resolvedOptions().timeZone || "";
  } catch (none) { /* an old browser: the server finds the nearest */ }
  // Browsers tell the place on safe addresses only.
  if (!window.isSecureContext || !navigator.geolocation) return;
  button.hidden = false;
  button.addEventListener("click", function () {
    button.disabled = true;
    navigator.geolocation.getCurrentPosition(function (found) {
      place.value = found.coords.latitude.toFixed(4) + ", " + found.coords.longitude.toFixed(4);
      said.textContent = "";
      button.disabled = false;
      place.focus();
    }, function () {
      said.textContent = button.dataset.refused;
      button.disabled = false;
    }, { timeout: 15000, maximumAge: 600000 });
  });
})();
