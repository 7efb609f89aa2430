(function () {
  "use strict";

  // A link to a part that is folded away opens it; print shows all parts.
  function open() {
    var target = location.hash.length > 1 && document.getElementById(decodeURIComponent(location.hash.slice(1)));
    for (var e = target; e; e = e.parentElement) {
      if (e.tagName === "DETAILS") { e.open = true; }
    }
    var part = target && target.querySelector && target.querySelector("details.part");
    if (part) { part.open = true; target.scrollIntoView(); }
  }
  addEventListener("hashchange", open);
  open();
  document.querySelectorAll("nav.contents a").forEach(function (a) {
    a.addEventListener("click", function () { setTimeout(open, 0); });
  });
  addEventListener("beforeprint", function () {
    document.querySelectorAll("details.part").forEach(function (d) { d.open = true; });
  });

  var table = document.getElementById("case-table");
  if (!table) { return; }
  var body = table.tBodies[0];
  var rows = Array.prototype.slice.call(body.rows);
  var text = rows.map(function (row) { return row.textContent.toLowerCase(); });
  var search = document.getElementById("search");
  var group = document.getElementById("group");
  var state = document.getElementById("state");
  var shown = document.getElementById("shown");

  var collator = new Intl.Collator("en", { numeric: true });

  function filter() {
    var wanted = search.value.trim().toLowerCase();
    var n = 0;
    rows.forEach(function (row, i) {
      var ok = (!wanted || text[i].indexOf(wanted) >= 0) &&
        (!group.value || row.cells[1].textContent === group.value) &&
        (!state.value || row.dataset.state === state.value);
      row.hidden = !ok;
      if (ok) { n += 1; }
    });
    shown.textContent = n === rows.length ? "all " + n + " cases" : n + " of " + rows.length + " cases";
  }

  function value(row, column) {
    var cell = row.cells[column].textContent.trim();
    var number = parseFloat(cell.replace("\u2212", "-").replace(/,/g, ""));
    return { number: /^[\u2212-]?[\d,.]+$/.test(cell) ? number : null, text: cell };
  }

  function sort(column, header) {
    var ascending = header.getAttribute("aria-sort") !== "ascending";
    var sign = ascending ? 1 : -1;
    var keyed = rows.map(function (row, i) { return { row: row, at: i, key: value(row, column) }; });
    keyed.sort(function (a, b) {
      var x = a.key, y = b.key;
      var empty = (x.text === "\u2013") - (y.text === "\u2013");
      if (empty) { return empty; }
      if (x.number !== null && y.number !== null) { return sign * (x.number - y.number) || a.at - b.at; }
      return sign * collator.compare(x.text, y.text) || a.at - b.at;
    });
    var fragment = document.createDocumentFragment();
    keyed.forEach(function (item) { fragment.appendChild(item.row); });
    body.appendChild(fragment);
    Array.prototype.forEach.call(table.tHead.rows[0].cells, function (cell) { cell.removeAttribute("aria-sort"); });
    header.setAttribute("aria-sort", ascending ? "ascending" : "descending");
  }

  Array.prototype.forEach.call(table.tHead.rows[0].cells, function (header, column) {
    header.querySelector("button").addEventListener("click", function () { sort(column, header); });
  });
  [search, group, state].forEach(function (control) { control.addEventListener("input", filter); });
  filter();
}());
