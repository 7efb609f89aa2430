(function () {
  "use strict";

  // Figures under the pointer: values beside the nearest point, zoom and pan, and a legend that shows and hides its
  // series. A series is everything drawn in the colour of its legend entry. Without this script, and in print, the
  // figure is the same and still.
  var REACH = 22;  // px from the pointer to a point that still counts
  var tip = document.createElement("div");
  tip.className = "tip";
  tip.setAttribute("aria-hidden", "true");
  tip.hidden = true;
  document.body.appendChild(tip);

  function numbers(text) { return (text || "").split(" ").map(Number); }
  function shown(value, digits) { return value.toFixed(digits).replace(/^-(0(\.0*)?)$/, "$1").replace("-", "\u2212"); }
  function colours(element) { return [element.getAttribute("stroke"), element.getAttribute("fill")]; }

  // From user units to data: ends of the axis in user units, then its values there.
  function scale(group, attribute) {
    if (!group) { return null; }
    var n = numbers(group.getAttribute(attribute));
    var unit = (n[3] - n[2]) / (n[1] - n[0]);
    var digits = Math.min(Math.max(Math.floor(-Math.log10(Math.abs(unit) * 0.1)), 0), 3);
    return {
      name: group.getAttribute("data-name"), low: Math.min(n[0], n[1]), high: Math.max(n[0], n[1]),
      text: function (at) { return shown(n[2] + (at - n[0]) * unit, digits); }
    };
  }

  // All points of a figure that have something to say, in user units; made at the first touch.
  function points(figure) {
    if (figure.points) { return figure.points; }
    var x = scale(figure.svg.querySelector("[data-x]"), "data-x");
    var y = scale(figure.svg.querySelector("[data-y]"), "data-y");
    var found = [];
    figure.svg.querySelectorAll("title").forEach(function (title) {
      var mark = title.parentNode;
      if (mark === figure.svg) { return; }
      var box = mark.getBBox();
      found.push({ x: box.x + box.width / 2, y: box.y + box.height / 2, text: title.textContent, of: mark });
      title.remove();  // else the browser's own label comes up beside ours
    });
    if (x && y) {
      figure.svg.querySelectorAll("path[d]").forEach(function (path) {
        if (path.getAttribute("fill") !== "none" || path.closest(".key,[data-x],[data-y]")) { return; }
        var colour = path.getAttribute("stroke");
        var vertices = path.getAttribute("d").match(/[ML]-?[\d.]+ -?[\d.]+/g) || [];
        var dots = path.getAttribute("stroke-linecap") === "round";
        if (!dots && vertices.length < 3) { return; }
        vertices.forEach(function (vertex) {
          var at = numbers(vertex.slice(1));
          if (at[0] < x.low - 1 || at[0] > x.high + 1 || at[1] < y.low - 1 || at[1] > y.high + 1) { return; }
          var name = figure.names[colour] ? figure.names[colour] + ": " : "";
          found.push({ x: at[0], y: at[1], of: path,
            text: name + x.text(at[0]) + ", " + y.text(at[1]) + " (" + x.name + "; " + y.name + ")" });
        });
      });
    }
    figure.points = found;
    return found;
  }

  function hover(figure, event) {
    var matrix = figure.svg.getScreenCTM();
    var best = null, least = REACH;
    points(figure).forEach(function (p) {
      if (p.of.style.display === "none") { return; }
      var distance = Math.hypot(matrix.a * p.x + matrix.e - event.clientX, matrix.d * p.y + matrix.f - event.clientY);
      if (distance < least) { least = distance; best = p; }
    });
    if (!best) { return leave(figure); }
    figure.spot.setAttribute("cx", best.x);
    figure.spot.setAttribute("cy", best.y);
    figure.spot.style.display = "";
    tip.textContent = best.text;
    tip.hidden = false;
    var room = document.documentElement.clientWidth - tip.offsetWidth - 8;
    tip.style.left = Math.max(Math.min(matrix.a * best.x + matrix.e + 10, room), 4) + "px";
    tip.style.top = Math.max(matrix.d * best.y + matrix.f - tip.offsetHeight - 10, 4) + "px";
  }

  function leave(figure) {
    tip.hidden = true;
    figure.spot.style.display = "none";
  }

  function view(figure, box) {
    var home = figure.home;
    var w = Math.min(Math.max(box[2], home[2] / 12), home[2]);
    var h = w * home[3] / home[2];
    figure.box = [Math.min(Math.max(box[0], home[0]), home[0] + home[2] - w),
      Math.min(Math.max(box[1], home[1]), home[1] + home[3] - h), w, h];
    figure.svg.setAttribute("viewBox", figure.box.map(function (n) { return +n.toFixed(2); }).join(" "));
    figure.svg.classList.toggle("zoomed", w < home[2]);
  }

  // Zoom by a factor about a place in user units.
  function zoom(figure, factor, x, y) {
    var b = figure.box;
    view(figure, [x - (x - b[0]) * factor, y - (y - b[1]) * factor, b[2] * factor, b[3] * factor]);
  }

  function toggle(figure, key) {
    var on = key.getAttribute("aria-pressed") !== "true";
    var colour = key.getAttribute("data-colour");
    key.setAttribute("aria-pressed", on);
    figure.svg.querySelectorAll("path,line,rect,circle").forEach(function (element) {
      if (!element.closest(".key,.spot") && colours(element).indexOf(colour) >= 0) {
        element.style.display = on ? "" : "none";
      }
    });
  }

  function button(tools, text, name, action) {
    var made = document.createElement("button");
    made.type = "button";
    made.textContent = text;
    made.setAttribute("aria-label", name);
    made.addEventListener("click", action);
    tools.appendChild(made);
  }

  function prepare(svg) {
    var figure = { svg: svg, home: numbers(svg.getAttribute("viewBox")), names: {} };
    figure.box = figure.home.slice();
    figure.spot = document.createElementNS("http://www.w3.org/2000/svg", "circle");
    figure.spot.setAttribute("class", "spot");
    figure.spot.setAttribute("r", 5);
    figure.spot.style.display = "none";
    svg.appendChild(figure.spot);
    var keys = svg.querySelectorAll(".key");
    if (keys.length) { svg.setAttribute("role", "group"); }  // an image has no buttons inside
    keys.forEach(function (key) {
      figure.names[key.getAttribute("data-colour")] = key.textContent;
      key.setAttribute("role", "button");
      key.setAttribute("tabindex", "0");
      key.setAttribute("aria-pressed", "true");
      key.addEventListener("click", function () { toggle(figure, key); });
      key.addEventListener("keydown", function (event) {
        if (event.key === "Enter" || event.key === " ") { event.preventDefault(); toggle(figure, key); }
      });
    });
    var tools = document.createElement("div");
    tools.className = "tools";
    function middle(factor) {
      var b = figure.box;
      zoom(figure, factor, b[0] + b[2] / 2, b[1] + b[3] / 2);
    }
    function step(x, y) { view(figure, [figure.box[0] + x * figure.box[2], figure.box[1] + y * figure.box[3], figure.box[2]]); }
    button(tools, "+", "Zoom in", function () { middle(0.6); });
    button(tools, "\u2212", "Zoom out", function () { middle(1 / 0.6); });
    button(tools, "\u21ba", "Whole figure", function () { view(figure, figure.home); });
    tools.addEventListener("keydown", function (event) {
      var way = { ArrowLeft: [-0.2, 0], ArrowRight: [0.2, 0], ArrowUp: [0, -0.2], ArrowDown: [0, 0.2] }[event.key];
      if (way) { event.preventDefault(); step(way[0], way[1]); }
    });
    svg.parentNode.insertBefore(tools, svg);

    var grip = null;
    svg.addEventListener("pointerdown", function (event) {
      if (figure.box[2] < figure.home[2] && !event.target.closest(".key")) {
        grip = { x: event.clientX, y: event.clientY, box: figure.box.slice() };
        svg.setPointerCapture(event.pointerId);
      }
      hover(figure, event);
    });
    svg.addEventListener("pointermove", function (event) {
      if (!grip) { return hover(figure, event); }
      var unit = 1 / svg.getScreenCTM().a;
      view(figure, [grip.box[0] - (event.clientX - grip.x) * unit, grip.box[1] - (event.clientY - grip.y) * unit, grip.box[2]]);
      leave(figure);
    });
    ["pointerup", "pointercancel"].forEach(function (name) {
      svg.addEventListener(name, function () { grip = null; });
    });
    svg.addEventListener("pointerleave", function () { if (!grip) { leave(figure); } });
    svg.addEventListener("wheel", function (event) {
      if (!event.ctrlKey && !event.metaKey) { return; }  // else the page could not be scrolled past a figure
      event.preventDefault();
      var at = new DOMPoint(event.clientX, event.clientY).matrixTransform(svg.getScreenCTM().inverse());
      zoom(figure, event.deltaY < 0 ? 0.8 : 1.25, at.x, at.y);
    }, { passive: false });
    addEventListener("beforeprint", function () {
      view(figure, figure.home);
      keys.forEach(function (key) { if (key.getAttribute("aria-pressed") !== "true") { toggle(figure, key); } });
      leave(figure);
    });
  }

  document.querySelectorAll("svg.fig").forEach(prepare);
}());
