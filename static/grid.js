// A table under the keyboard: Enter and the arrows go up and down, a new line comes with the last one.
(function () {
  "use strict";
  var form = document.getElementById("grid");
  if (!form) return;
  var body = form.querySelector("tbody"), MOST = 200;

  function cells(row) { return Array.from(row.querySelectorAll("input")); }

  function grow() {
    var rows = body.rows, last = rows[rows.length - 1], number = rows.length + 1;
    // Lines of a table that waits have numbers of their own: those are not added to.
    if (number > MOST || !form.elements.holds) return null;
    var fresh = last.cloneNode(true);
    fresh.cells[0].textContent = number;
    cells(fresh).forEach(function (cell, at) {
      cell.name = "cell-" + number + "-" + (at + 1);
      cell.value = "";
      cell.setAttribute("aria-label", cell.getAttribute("aria-label").replace(/\d+$/, number));
    });
    return body.appendChild(fresh);
  }

  function go(from, down) {
    var row = from.closest("tr"), at = cells(row).indexOf(from);
    var next = down ? row.nextElementSibling || grow() : row.previousElementSibling;
    if (next) { cells(next)[at].focus(); cells(next)[at].select(); }
  }

  form.addEventListener("keydown", function (event) {
    if (event.target.tagName !== "INPUT" || event.isComposing) return;
    if (event.key === "Enter" && !event.ctrlKey) { event.preventDefault(); go(event.target, !event.shiftKey); }
    if (event.key === "ArrowDown" || event.key === "ArrowUp") { event.preventDefault(); go(event.target, event.key === "ArrowDown"); }
  });
  body.addEventListener("focusin", function (event) {
    if (event.target.closest("tr") === body.rows[body.rows.length - 1]) grow();
  });
  // Cells pasted from a spreadsheet fall into cells.
  body.addEventListener("paste", function (event) {
    var text = (event.clipboardData || window.clipboardData).getData("text");
    if (!/[\t\n]/.test(text.replace(/\n$/, ""))) return;
    event.preventDefault();
    var row = event.target.closest("tr"), first = cells(row).indexOf(event.target);
    text.replace(/\r?\n$/, "").split(/\r?\n/).forEach(function (line) {
      if (!row) return;
      line.split("\t").forEach(function (value, n) { var cell = cells(row)[first + n]; if (cell) cell.value = value; });
      row = row.nextElementSibling || grow();
    });
  });
})();
