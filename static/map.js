// While a map is typed, the page shows what it draws. Without script the button does it.
(function () {
  "use strict";
  var WAIT = 600, form = document.getElementById("map-form"), waiting = 0, asked = 0;
  if (!form || !window.fetch || !window.DOMParser) return;
  var box = document.getElementById("map_text"), said = document.getElementById("map_text-error");
  said.setAttribute("role", "status");

  function show() {
    var body = new URLSearchParams(new FormData(form)), mine = ++asked;
    body.set("do", "show");
    fetch(form.action, { method: "POST", body: body }).then(function (answer) {
      if (answer.redirected || (answer.status !== 200 && answer.status !== 422)) return "";
      return answer.text();
    }).then(function (html) {
      if (!html || mine !== asked) return;
      var page = new DOMParser().parseFromString(html, "text/html");
      ["map-look", "map_text-error"].forEach(function (id) {
        var here = document.getElementById(id), there = page.getElementById(id);
        if (here && there && here.innerHTML !== there.innerHTML) here.replaceChildren.apply(here, Array.from(there.childNodes));
      });
      box.setAttribute("aria-invalid", said.children.length ? "true" : "false");
      box.closest(".field").classList.toggle("wrong", said.children.length > 0);
    }).catch(function () {});
  }

  form.addEventListener("input", function () { clearTimeout(waiting); waiting = setTimeout(show, WAIT); });
})();
