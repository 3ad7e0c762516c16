// The board on a phone with bad signal, on plain http too: it asks for news now and then, says
// how old it is, and keeps marks that could not be sent. Without script the board works all the same.
(function () {
  "use strict";
  var STORE = "garden-unsent", EVERY = 60000, RETRY = 15000, SOON = 2000;
  var box = document.getElementById("sending"), busy = false, following = false;

  function load() { try { return JSON.parse(localStorage.getItem(STORE)) || []; } catch (e) { return []; } }
  function save(list) { try { localStorage.setItem(STORE, JSON.stringify(list)); return true; } catch (e) { return false; } }
  function key() { return Date.now().toString(36) + "-" + Math.random().toString(36).slice(2, 12) + "-" + Math.random().toString(36).slice(2, 12); }
  function clock(date) { return ("0" + date.getHours()).slice(-2) + ":" + ("0" + date.getMinutes()).slice(-2); }
  function token() { var f = document.querySelector("#board input[name=csrf_token]"); return f ? f.value : ""; }
  function text(id) { return box ? (box.getAttribute("data-" + id) || "") : ""; }
  function fill(template, value) { return template.replace("{}", value); }

  function show(message) {
    if (!box) return;
    var list = load(), frag = document.createDocumentFragment();
    function line(words, tag) { var p = document.createElement(tag || "p"); p.textContent = words; frag.appendChild(p); return p; }
    if (message) line(message);
    if (list.length) {
      line(fill(text("waiting"), list.length));
      var ul = document.createElement("ul");
      list.forEach(function (fact) {
        var li = document.createElement("li");
        li.textContent = fact.label + " (" + clock(new Date(fact.at)) + ")" + (fact.refused ? ": " + fact.refused : "");
        if (fact.refused) {
          var b = document.createElement("button");
          b.type = "button"; b.className = "plain"; b.textContent = text("dismiss");
          b.addEventListener("click", function () { save(load().filter(function (f) { return f.key !== fact.key; })); show(""); });
          li.appendChild(document.createTextNode(" ")); li.appendChild(b);
        }
        ul.appendChild(li);
      });
      frag.appendChild(ul);
    }
    box.textContent = ""; box.appendChild(frag); box.hidden = !message && !list.length;
  }

  function send(fact) {
    var body = new URLSearchParams();
    body.set("csrf_token", token()); body.set("fact", fact.key); body.set("pressed_at", fact.at);
    return fetch(fact.url, { method: "POST", body: body, headers: { Accept: "application/json" }, redirect: "manual" });
  }

  // One at a time and in order, so that "on, undo" does not arrive as "undo, on".
  function flush() {
    if (busy) return;
    var list = load(), next = list.filter(function (f) { return !f.refused; })[0];
    if (!next || !token()) { show(""); return; }
    busy = true;
    send(next).then(function (answer) {
      var rest = load();
      if (answer.ok) {
        return answer.json().catch(function () { return {}; }).then(function (said) {
          save(load().filter(function (f) { return f.key !== next.key; }));
          busy = false; refresh(true, said.done); flush();
        });
      }
      if (answer.status >= 500 || answer.type === "opaqueredirect") { busy = false; show(text("later")); return; }
      return answer.json().then(function (said) {
        rest.forEach(function (f) { if (f.key === next.key) f.refused = said.error || text("refused"); });
        save(rest); busy = false; show(""); refresh(true); flush();
      });
    }).catch(function () { busy = false; show(text("nosignal")); });
  }

  function refresh(force, message) {
    if (document.hidden && !force) return;
    fetch(location.href, { headers: { Accept: "text/html" }, cache: "no-cache" }).then(function (answer) {
      if (!answer.ok || answer.redirected) return;
      return answer.text().then(function (html) {
        var fresh = new DOMParser().parseFromString(html, "text/html"), main = fresh.getElementById("main");
        var old = document.getElementById("main");
        if (!main || main.innerHTML === old.innerHTML) { show(message); return; }
        var held = document.activeElement && document.activeElement.id, y = window.scrollY;
        old.replaceWith(main);
        box = document.getElementById("sending");
        if (held && document.getElementById(held)) document.getElementById(held).focus();
        window.scrollTo(0, y); listen(); show(message);
        if (!following) follow();
      });
    }).catch(function () {
      var read = document.getElementById("read-at");
      show(fill(text("stale"), read ? clock(new Date(read.getAttribute("data-at"))) : "?"));
    });
  }

  function listen() {
    var form = document.getElementById("board");
    if (!form) return;
    form.addEventListener("submit", function (event) {
      var button = event.submitter;
      if (!button || !button.formAction) return;
      event.preventDefault();
      var job = button.closest("article"), label = job.getAttribute("data-name") + ": " + button.textContent.trim();
      var fact = { key: key(), url: button.getAttribute("formaction"), label: label, at: new Date().toISOString() };
      if (button.getAttribute("data-fact")) {
        var list = load(); list.push(fact);
        if (!save(list)) { form.submit(); return; }
        button.disabled = true; flush();
        // With signal it is sent before anybody could read that it is kept.
        setTimeout(function () { if (busy) show(""); }, 700);
        return;
      }
      // A claim is a promise to others; one that nobody can see is refused instead of kept.
      button.disabled = true;
      send(fact).then(function (answer) {
        return answer.json().then(function (said) { return refreshThen(said.done || said.error); });
      }).catch(function () { button.disabled = false; show(text("noclaim")); box.scrollIntoView({ block: "center" }); });
    });
  }
  function refreshThen(message) {
    return fetch(location.href, { headers: { Accept: "text/html" }, cache: "no-cache" }).then(function (a) { return a.text(); }).then(function (html) {
      var main = new DOMParser().parseFromString(html, "text/html").getElementById("main"), y = window.scrollY;
      document.getElementById("main").replaceWith(main); box = document.getElementById("sending");
      window.scrollTo(0, y); listen(); show(message);
    }).catch(function () { show(message); });
  }

  if (token()) {
    var night = document.querySelector("h1") ? document.querySelector("h1").textContent : "";
    try {
      if (sessionStorage.getItem("garden-seen") !== night) {
        var seen = new URLSearchParams(); seen.set("csrf_token", token());
        fetch("/tonight/seen", { method: "POST", body: seen }).then(function (a) { if (a.ok) sessionStorage.setItem("garden-seen", night); }).catch(function () {});
      }
    } catch (e) { /* a browser that keeps nothing: the look is not noted */ }
  }
  // The first plan is there at once; how far the search for a better one has come, until it ends.
  function follow() {
    var line = document.getElementById("improving");
    following = !!line;
    if (!line) return;
    fetch(line.getAttribute("data-url"), { headers: { Accept: "application/json" }, cache: "no-store" }).then(function (a) { return a.json(); }).then(function (said) {
      if (!said.improving) { following = false; refresh(false); return; }
      var words = fill(line.getAttribute("data-words"), said.gap);
      if (said.gap && line.textContent !== words) line.textContent = words;
      setTimeout(follow, SOON);
    }).catch(function () { setTimeout(follow, RETRY); });
  }

  listen(); show(""); flush(); follow();
  window.addEventListener("online", function () { flush(); refresh(true); });
  document.addEventListener("visibilitychange", function () { if (!document.hidden) { flush(); refresh(false); } });
  setInterval(function () { refresh(false); }, EVERY);
  setInterval(flush, RETRY);
})();
