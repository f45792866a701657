// The holds on the chart: pick one, drag its edge, or drag over a free stretch to add one. The form below does
// the same by keyboard, and is what is sent.
"use strict";
(function () {
  var place = document.getElementById("hold-chart");
  var form = document.getElementById("hold-form");
  if (!form) { return; }
  var field = function (name) { return document.getElementById("hold-" + name); };
  var action = field("action");
  var which = field("which");

  function arrange() {
    var now = action.value;
    form.querySelectorAll("[data-for]").forEach(function (item) {
      item.hidden = item.dataset.for.split(" ").indexOf(now) < 0;
      if (item.hidden && now !== "move") { item.querySelector("input, select").value = ""; }
    });
    field("which-field").hidden = now === "add";
    if (now === "add") { return; }
    pick(Number(which.value || 0));
  }
  function pick(index) {
    var option = which.options[index];
    if (!option) { return; }
    which.value = String(index);
    field("start").value = option.dataset.start;
    field("end").value = option.dataset.end;
    field("new-start").value = action.value === "move" ? option.dataset.start : "";
    field("new-end").value = action.value === "move" ? option.dataset.end : "";
    mark(index);
  }
  action.addEventListener("change", arrange);
  which.addEventListener("change", function () { pick(Number(which.value)); });

  var NS = "http://www.w3.org/2000/svg";
  var W = 960, LEFT = 70, RIGHT = 12, ROW = 112, TOP = 10;
  var svg = null, data = null, bands = [], fresh = null;
  function node(name, attributes, parent) {
    var made = document.createElementNS(NS, name);
    Object.keys(attributes).forEach(function (key) { made.setAttribute(key, attributes[key]); });
    if (parent) { parent.appendChild(made); }
    return made;
  }
  function x(t) { return LEFT + (t - data.start) / (data.end - data.start) * (W - LEFT - RIGHT); }
  function t(px) {
    var value = data.start + (px - LEFT) / (W - LEFT - RIGHT) * (data.end - data.start);
    return Math.round(Math.max(data.start, Math.min(data.end, value)) * 10) / 10;
  }
  function at(event) {
    var box = svg.getBoundingClientRect();
    return t((event.clientX - box.left) / box.width * W);
  }
  function mark(index) {
    bands.forEach(function (band, number) { band.classList.toggle("picked", number === index); });
  }
  function span(band, from, to) {
    band.setAttribute("x", x(from));
    band.setAttribute("width", Math.max(1, x(to) - x(from)));
  }
  function step(range) {
    var raw = range / 8, power = Math.pow(10, Math.floor(Math.log10(raw)));
    return [1, 2, 5, 10].map(function (n) { return n * power; }).filter(function (n) { return n >= raw; })[0];
  }
  function draw() {
    var height = TOP + data.channels.length * ROW + 30;
    place.textContent = "";
    svg = node("svg", { viewBox: "0 0 " + W + " " + height }, place);
    var bottom = height - 30;
    for (var tick = 0; tick <= data.end; tick += step(data.end - data.start)) {
      if (tick < data.start) { continue; }
      node("line", { x1: x(tick), x2: x(tick), y1: TOP, y2: bottom, class: "grid" }, svg);
      node("text", { x: x(tick), y: bottom + 18, "text-anchor": "middle" }, svg).textContent = String(tick) + (tick ? "" : " s");
    }
    data.channels.forEach(function (channel, number) { row(channel, TOP + number * ROW); });
    data.rejected.forEach(function (item) {
      span(node("rect", { y: TOP, height: bottom - TOP, class: "band rejected" }, svg), item.start, item.end);
    });
    bands = data.holds.map(function (hold, index) {
      var band = node("rect", { y: TOP, height: bottom - TOP, class: "band " + hold.kind }, svg);
      span(band, hold.start, hold.end);
      node("title", {}, band).textContent = hold.kind + " hold " + (index + 1) + ": " + hold.start + " to " + hold.end + " s";
      band.addEventListener("click", function () {
        if (action.value === "add") { action.value = "move"; arrange(); }
        pick(index);
      });
      return band;
    });
    data.holds.forEach(function (hold, index) {
      ["start", "end"].forEach(function (side) { edge(hold, index, side, bottom); });
    });
    fresh = node("rect", { y: TOP, height: bottom - TOP, class: "band fresh", visibility: "hidden" }, svg);
    svg.addEventListener("pointerdown", begin);
  }
  function row(channel, top) {
    var known = channel.values.filter(function (v) { return v !== null; }).sort(function (a, b) { return a - b; });
    var low = known[Math.floor(known.length * 0.003)], high = known[Math.floor((known.length - 1) * 0.997)];
    if (high <= low) { high = low + 1; }
    var y = function (v) { return top + ROW - 12 - (Math.max(low, Math.min(high, v)) - low) / (high - low) * (ROW - 34); };
    node("line", { x1: LEFT, x2: W - RIGHT, y1: top + ROW - 12, y2: top + ROW - 12, class: "grid" }, svg);
    node("text", { x: LEFT + 4, y: top + 12 }, svg).textContent = channel.label + ", " + channel.unit;
    [low, high].forEach(function (v) {
      var digits = Math.abs(high - low) >= 20 ? 0 : 1;
      node("text", { x: LEFT - 6, y: y(v) + 4, "text-anchor": "end" }, svg).textContent = v.toFixed(digits).replace("-", "−");
    });
    var path = "", pen = false;
    channel.values.forEach(function (v, index) {
      if (v === null) { pen = false; return; }
      path += (pen ? "L" : "M") + x(channel.time[index]).toFixed(1) + " " + y(v).toFixed(1);
      pen = true;
    });
    node("path", { d: path, class: "line" }, svg);
  }
  function edge(hold, index, side, bottom) {
    var handle = node("rect", { x: x(hold[side]) - 5, width: 10, y: TOP, height: bottom - TOP, class: "edge" }, svg);
    handle.addEventListener("pointerdown", function (event) {
      event.stopPropagation();
      action.value = "move";
      which.value = String(index);
      arrange();
      handle.setPointerCapture(event.pointerId);
      var move = function (moved) {
        var now = at(moved);
        now = side === "start" ? Math.min(now, Number(field("new-end").value) - 1) : Math.max(now, Number(field("new-start").value) + 1);
        field("new-" + side).value = String(Math.round(now * 10) / 10);
        handle.setAttribute("x", x(now) - 5);
        span(bands[index], Number(field("new-start").value), Number(field("new-end").value));
      };
      handle.addEventListener("pointermove", move);
      handle.addEventListener("pointerup", function () { handle.removeEventListener("pointermove", move); }, { once: true });
    });
  }
  function begin(event) {
    if (event.target.classList.contains("band") || event.pointerType === "touch") { return; }
    var from = at(event);
    svg.setPointerCapture(event.pointerId);
    var move = function (moved) {
      var to = at(moved);
      if (Math.abs(to - from) < 3) { return; }
      action.value = "add";
      arrange();
      field("start").value = String(Math.min(from, to));
      field("end").value = String(Math.max(from, to));
      fresh.setAttribute("visibility", "visible");
      span(fresh, Math.min(from, to), Math.max(from, to));
    };
    svg.addEventListener("pointermove", move);
    svg.addEventListener("pointerup", function () { svg.removeEventListener("pointermove", move); }, { once: true });
  }
  arrange();
  window.flightproc.get(place.dataset.series).then(function (answer) { return answer.json(); }).then(function (found) {
    data = found;
    draw();
    mark(Number(which.value || 0));
  }).catch(function () { place.textContent = "The chart cannot be drawn; the form below does the same."; });
})();
