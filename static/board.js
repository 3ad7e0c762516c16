// The board on a phone with bad signal, on plain http too: it asks for news now and then, says
// how old it is, and keeps marks that could not be sent. Without script the board works all the same.
(function () {
  "use strict";
  var STORE = "garden-unsent", EVERY = 60000, RETRY = 15000, SOON = 2000, REST = 500;
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

  function place(fact, headers) {
    var card = document.getElementById(fact.job);
    if (card && card.closest("#mine")) headers["X-With-Place"] = "1";
    return headers;
  }
  function send(fact) {
    var body = new URLSearchParams();
    body.set("csrf_token", token()); body.set("fact", fact.key); body.set("pressed_at", fact.at);
    return fetch(fact.url, { method: "POST", body: body, headers: place(fact, { Accept: "application/json" }), redirect: "manual" });
  }

  // One at a time and in order, so that "on, undo" does not arrive as "undo, on".
  function flush() {
    if (busy) return;
    var list = load(), next = list.filter(function (f) { return !f.refused; })[0];
    if (!next || !token()) { show(""); return; }
    busy = true;
    send(next).then(function (answer) {
      if (answer.status >= 500 || answer.type === "opaqueredirect") { busy = false; waiting(next, text("kept")); show(text("later")); return; }
      return answer.json().catch(function () { return {}; }).then(function (said) {
        var rest = load();
        if (answer.ok) save(rest.filter(function (f) { return f.key !== next.key; }));
        else { rest.forEach(function (f) { if (f.key === next.key) f.refused = said.error || text("refused"); }); save(rest); }
        busy = false; put(next.job, said); show(""); flush();
      });
    }).catch(function () { busy = false; waiting(next, text("kept")); show(text("nosignal")); });
  }

  // The card itself changes, where it is and as high as it was; the focus stays on it.
  function put(id, said) {
    var old = document.getElementById(id);
    if (!old) { refresh(true); return; }
    if (!said.card) { tell(old, said.error || said.done || text("refused")); return; }
    var box = document.createElement("div");
    box.innerHTML = said.card;
    swap(old, box.firstElementChild, true);
  }
  function swap(old, card, isPressed) {
    var held = old.contains(document.activeElement), high = old.getBoundingClientRect().height;
    old.replaceWith(card);
    // What was read a moment ago gives way, so that what is new fits in its place.
    ["tight", "tighter"].forEach(function (fit) { if (card.getBoundingClientRect().height > high + 1) card.classList.add(fit); });
    if (card.getBoundingClientRect().height < high) card.style.minHeight = high + "px";
    if (isPressed || held) {
      // A second tap on the same spot is not meant for what stands there now.
      card.style.pointerEvents = "none";
      setTimeout(function () { card.style.pointerEvents = ""; }, REST);
      var next = card.querySelector(".do button") || card.querySelector("button") || card.querySelector("a");
      if (!next) { card.tabIndex = -1; next = card; }
      next.focus({ preventScroll: true });
    }
  }
  function tell(card, words) {
    var line = card.querySelector(".st");
    var high = card.getBoundingClientRect().height;
    if (line) { line.textContent = ""; var b = document.createElement("b"); b.className = "said"; b.setAttribute("role", "alert"); b.textContent = words; line.appendChild(b); }
    if (card.getBoundingClientRect().height > high + 1) card.classList.add("tight", "tighter");
    if (card.getBoundingClientRect().height < high) card.style.minHeight = high + "px";
  }
  function waiting(fact, words) { var card = document.getElementById(fact.job); if (card) tell(card, words); }

  // News comes card by card; only another plan lays the page out anew, and then where one looks.
  function refresh(force, message) {
    if (document.hidden && !force) return;
    fetch(location.href, { headers: { Accept: "text/html" }, cache: "no-cache" }).then(function (answer) {
      if (!answer.ok || answer.redirected) return;
      return answer.text().then(function (html) {
        var fresh = new DOMParser().parseFromString(html, "text/html"), main = fresh.getElementById("main"), old = document.getElementById("main");
        if (!main || main.innerHTML === old.innerHTML) { show(message); return; }
        var was = old.querySelector("#board"), is = main.querySelector("#board"), same = was && is && was.getAttribute("data-plan") === is.getAttribute("data-plan") && is.getAttribute("data-plan") !== "0";
        if (same) {
          is.querySelectorAll("article.job").forEach(function (card) {
            var mine = document.getElementById(card.id);
            if (mine && plain(mine) !== plain(card)) swap(mine, document.importNode(card, true), false);
          });
          [".head", ".rest"].forEach(function (part) {
            var a = old.querySelector(part), b = main.querySelector(part);
            if (a && b && a.innerHTML !== b.innerHTML && !a.contains(document.activeElement) && !a.querySelector("details[open]")) a.replaceWith(document.importNode(b, true));
          });
          show(message); if (!following) follow(); return;
        }
        var held = document.activeElement && document.activeElement.id, seen = looked(), y = window.scrollY;
        old.replaceWith(main);
        box = document.getElementById("sending");
        if (held && document.getElementById(held)) document.getElementById(held).focus({ preventScroll: true });
        var again = seen && document.getElementById(seen.id);
        window.scrollTo(0, again ? y + again.getBoundingClientRect().top - seen.top : y);
        listen(); show(message || text("anew"));
        if (!following) follow();
      });
    }).catch(function () {
      var read = document.getElementById("read-at");
      show(fill(text("stale"), read ? clock(new Date(read.getAttribute("data-at"))) : "?"));
    });
  }
  function plain(card) { return card.className.replace(/ tight(er)?/g, "") + card.innerHTML; }
  function looked() {
    var all = document.querySelectorAll("article.job");
    for (var i = 0; i < all.length; i++) { var top = all[i].getBoundingClientRect().top; if (top >= 0) return { id: all[i].id, top: top }; }
    return null;
  }

  function listen() {
    var form = document.getElementById("board");
    if (!form) return;
    form.addEventListener("submit", function (event) {
      var button = event.submitter, job = button && button.closest("article");
      if (!job || !button.formAction) return;
      event.preventDefault();
      var label = job.getAttribute("data-name") + ": " + button.textContent.trim();
      var fact = { key: key(), url: button.getAttribute("formaction").split("#")[0], job: job.id, label: label, at: new Date().toISOString() };
      if (button.getAttribute("data-fact")) {
        var list = load(); list.push(fact);
        if (!save(list)) { form.submit(); return; }
        flush();
        // With signal it is sent before anybody could read that it is kept.
        setTimeout(function () { if (busy) show(""); }, 700);
        return;
      }
      // A claim is a promise to others; one that nobody can see is refused instead of kept.
      send(fact).then(function (answer) { return answer.json(); }).then(function (said) { put(job.id, said); if (said.error) show(said.error); else show(""); }).catch(function () {
        tell(job, text("unclaimed")); show(text("noclaim"));
        if (button.getAttribute("data-on")) {
          button.setAttribute("formaction", button.getAttribute("data-on")); button.setAttribute("data-fact", "on");
          button.textContent = text("on"); button.setAttribute("aria-label", text("on") + ": " + job.getAttribute("data-name"));
        }
      });
    });
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
  window.addEventListener("beforeprint", function () { document.querySelectorAll("details").forEach(function (d) { d.open = true; }); });
  window.addEventListener("online", function () { flush(); refresh(true); });
  document.addEventListener("visibilitychange", function () { if (!document.hidden) { flush(); refresh(false); } });
  setInterval(function () { refresh(false); }, EVERY);
  setInterval(flush, RETRY);
})();
