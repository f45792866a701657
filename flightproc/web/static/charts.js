// Charts: lines with bands and points, and linked time histories that fetch what the screen can show.
// The script's tag names the drawing library in data-plotly; it is loaded once the page can be used.
"use strict";
(function () {
  var library = document.currentScript.getAttribute("data-plotly");
  var loading = null;
  var DASH = { solid: "solid", dash: "8px,5px", dot: "2px,4px" };
  var CONFIG = { displayModeBar: false, responsive: true, doubleClick: false, scrollZoom: false, showTips: false };

  function load() {
    if (loading) { return loading; }
    loading = new Promise(function (done, fail) {
      var script = document.createElement("script");
      script.src = library;
      // The library's map part would add a style of its own, which no chart here needs and the page's rules forbid.
      var add = document.head.appendChild;
      function refuse(node) { return node.tagName === "STYLE" ? node : add.call(document.head, node); }
      script.onload = function () { delete document.head.appendChild; done(window.Plotly); };
      script.onerror = function () { delete document.head.appendChild; fail(new Error("the drawing library could not be loaded")); };
      add.call(document.head, script);
      document.head.appendChild = refuse;
    });
    return loading;
  }

  function theme() {
    var style = window.getComputedStyle(document.documentElement);
    function of(name) { return style.getPropertyValue("--" + name).trim(); }
    return { of: of, ink: of("ink"), soft: of("soft"), line: of("line"), card: of("card"), sans: of("sans") };
  }

  function clear(colour, share) {
    var hex = colour.replace("#", "");
    if (hex.length === 3) { hex = hex.replace(/./g, "$&$&"); }
    var parts = [0, 2, 4].map(function (k) { return parseInt(hex.substr(k, 2), 16); });
    return "rgba(" + parts.join(",") + "," + share + ")";
  }

  function axis(look, more) {
    var base = {
      color: look.soft, gridcolor: look.line, linecolor: look.soft, zerolinecolor: look.soft, zerolinewidth: 1,
      tickfont: { size: 13, color: look.ink }, ticks: "outside", ticklen: 4, tickcolor: look.line, fixedrange: true
    };
    Object.keys(more).forEach(function (key) { base[key] = more[key]; });
    return base;
  }

  function frame(look, more) {
    var base = {
      paper_bgcolor: "rgba(0,0,0,0)", plot_bgcolor: "rgba(0,0,0,0)", font: { family: look.sans, size: 14, color: look.ink },
      hoverlabel: { bgcolor: look.card, bordercolor: look.soft, font: { family: look.sans, size: 14, color: look.ink }, align: "left" },
      dragmode: false
    };
    Object.keys(more).forEach(function (key) { base[key] = more[key]; });
    return base;
  }

  function words(axisOf) { return axisOf.name + (axisOf.unit ? " [" + axisOf.unit + "]" : ""); }

  // ------------------------------------------------------------------------------------- lines and points

  function gaps(bounds, values) { return bounds.map(function (b, k) { return b === null || values[k] === null ? 0 : Math.abs(b - values[k]); }); }

  function traces(spec, look) {
    var out = [];
    spec.lines.forEach(function (line) {
      var colour = look.of(line.colour) || look.ink;
      var shown = line.name !== "";
      var unit = spec.y.unit ? " " + spec.y.unit : "";
      var bounded = line.low.length > 0;
      var text = line.y.map(function (y, k) {
        var said = line.labels[k] ? line.labels[k] + "<br>" : "";
        if (y === null) { return ""; }
        said += brief(y) + unit;
        if (bounded && line.low[k] !== null) { said += " [" + brief(line.low[k]) + ", " + brief(line.high[k]) + "]"; }
        return said;
      });
      if (bounded && line.kind === "line") {
        out.push({ x: line.x, y: line.low, mode: "lines", line: { width: 0 }, hoverinfo: "skip", showlegend: false });
        out.push({ x: line.x, y: line.high, mode: "lines", line: { width: 0 }, fill: "tonexty", fillcolor: clear(colour, 0.18), hoverinfo: "skip", showlegend: false });
      }
      var trace = { x: line.x, y: line.y, name: line.name || " ", showlegend: shown, text: text, hovertemplate: "%{text}<extra>" + (line.name || "") + "</extra>" };
      if (line.kind === "line") {
        trace.mode = "lines";
        trace.line = { color: colour, width: 2.5, dash: DASH[line.dash] || "solid" };
      } else if (line.kind === "bars") {
        trace.type = "bar";
        trace.marker = { color: colour };
      } else {
        trace.mode = "markers";
        trace.marker = { color: colour, size: 9, symbol: line.marker, line: { color: look.card, width: 1.2 } };
      }
      if (bounded && line.kind !== "line") {
        trace.error_y = { type: "data", symmetric: false, array: gaps(line.high, line.y), arrayminus: gaps(line.low, line.y), color: line.kind === "bars" ? look.ink : colour, thickness: 1.8, width: 5 };
      }
      out.push(trace);
    });
    return out;
  }

  function brief(value) {
    var size = Math.abs(value);
    var places = size >= 100 ? 0 : size >= 10 ? 1 : size >= 1 ? 2 : 3;
    if (size > 0 && size < 0.1) { return value.toPrecision(3).replace("-", "\u2212"); }
    return value.toFixed(places).replace("-", "\u2212");
  }

  function layout(spec, look, element) {
    var narrow = element.clientWidth < 520, tall = element.clientHeight || 360;
    var shapes = spec.marks.map(function (mark) {
      return { type: "line", xref: "paper", x0: 0, x1: 1, y0: mark.y, y1: mark.y, line: { color: look.soft, width: 1.3, dash: "4px,4px" } };
    });
    var notes = [{ text: words(spec.y), xref: "paper", yref: "paper", x: 0, y: 1, xanchor: "left", yanchor: "bottom", showarrow: false, xshift: -44, yshift: 6, font: { size: 14, color: look.ink } }];
    spec.marks.forEach(function (mark) {
      notes.push({ text: mark.words, xref: "paper", x: 1, y: mark.y, xanchor: "right", yanchor: "bottom", showarrow: false, font: { size: 13, color: look.soft } });
    });
    var x = { title: { text: words(spec.x), standoff: 8, font: { size: 14 } }, nticks: narrow ? 5 : 9, hoverformat: ".4~g", zeroline: false, automargin: true };
    if (spec.x.names.length) {
      x.tickvals = spec.x.names.map(function (_, k) { return k; });
      x.ticktext = spec.x.names;
      x.range = [-0.5, spec.x.names.length - 0.5];
    }
    var y = { nticks: 7, automargin: true };
    if (spec.y.range) { y.range = spec.y.range; }
    return frame(look, {
      height: tall, margin: { l: 52, r: 14, t: 34, b: 78 }, xaxis: axis(look, x), yaxis: axis(look, y),
      shapes: shapes, annotations: notes, hovermode: spec.x.names.length ? "closest" : "x unified",
      legend: { orientation: "h", x: 0, y: -52 / (tall - 112), yanchor: "top", font: { size: 14 }, itemclick: false, itemdoubleclick: false }
    });
  }

  function draw(element, spec) {
    element.flightprocSpec = spec;
    element.setAttribute("role", "img");
    element.setAttribute("aria-label", spec.title);
    return load().then(function (Plotly) {
      var look = theme();
      return Plotly.react(element, traces(spec, look), layout(spec, look, element), CONFIG);
    }).then(function () { element.setAttribute("data-drawn", "yes"); }, function () { fail(element); });
  }

  function fail(element) {
    element.textContent = "The chart could not be drawn. Its figures are in the tables.";
    element.setAttribute("data-drawn", "no");
  }

  // ---------------------------------------------------------------------------------------- time histories

  function clock(seconds) {
    var sign = seconds < 0 ? "\u2212" : "";
    var whole = Math.abs(seconds);
    var minutes = Math.floor(whole / 60);
    var rest = whole - 60 * minutes;
    return sign + minutes + ":" + (rest < 9.95 ? "0" : "") + rest.toFixed(rest % 1 ? 1 : 0);
  }

  function History(element) {
    this.element = element;
    this.address = element.getAttribute("data-histories");
    this.plot = element.querySelector("[data-plot]");
    this.said = element.querySelector("[data-said]");
    this.asked = 0;
    this.timer = 0;
    this.ready = this.begin();
  }

  History.prototype.width = function () { return Math.max(200, Math.round(this.plot.clientWidth - 70)); };

  History.prototype.fetch = function (query) {
    return window.flightproc.get(this.address + query).then(function (answer) {
      if (!answer.ok) { throw new Error("the time histories could not be had"); }
      return answer.json();
    });
  };

  History.prototype.begin = function () {
    var self = this;
    return Promise.all([load(), this.fetch("?width=" + this.width())]).then(function (both) {
      self.Plotly = both[0];
      self.data = both[1];
      self.about = both[1].about;
      self.holds = self.about.holds;
      self.window = [self.data.first, self.data.last];
      self.whole = self.heights(self.data, self.about.airborne);
      return self.draw();
    }).then(function () {
      self.listen();
      self.element.setAttribute("data-drawn", "yes");
      self.say();
      return self;
    }).catch(function () { fail(self.plot); });
  };

  // What each panel shows top to bottom: all but the few most extreme values of the stretches given.
  History.prototype.heights = function (data, spans) {
    return data.values.map(function (row) {
      var seen = [];
      data.t.forEach(function (t, k) {
        if (row[k] === null) { return; }
        if (!spans.length || spans.some(function (span) { return t >= span[0] && t <= span[1]; })) { seen.push(row[k]); }
      });
      if (seen.length < 4) { seen = row.filter(function (v) { return v !== null; }); }
      if (!seen.length) { return [-1, 1]; }
      seen.sort(function (a, b) { return a - b; });
      var low = seen[Math.floor(0.004 * (seen.length - 1))];
      var high = seen[Math.ceil(0.996 * (seen.length - 1))];
      var pad = 0.1 * (high - low) || Math.max(0.05 * Math.abs(high), 0.5);
      return [low - pad, high + pad];
    });
  };

  History.prototype.bands = function (look) {
    return this.holds.map(function (hold) {
      var colour = look.of(hold.struck ? "struck" : hold.kind);
      return { type: "rect", xref: "x", yref: "paper", x0: hold.start, x1: hold.end, y0: 0, y1: 0.85, layer: "below", line: { width: 0 }, fillcolor: clear(colour, 0.16) };
    });
  };

  History.prototype.lane = function (look) {
    var holds = this.holds, turned = this.about.turned_down;
    function bar(items, row, colour, text) {
      return {
        type: "bar", orientation: "h", xaxis: "x", yaxis: "y", showlegend: false,
        base: items.map(function (i) { return i.start; }), x: items.map(function (i) { return i.end - i.start; }),
        y: items.map(function () { return row; }), width: 0.72, marker: { color: colour, line: { width: 0 } },
        text: text, textposition: "inside", insidetextanchor: "middle", textangle: 0, constraintext: "none", cliponaxis: true,
        hovertext: items.map(function (i) { return (i.label ? i.label + ": " : "") + i.words + "<br>" + clock(i.start) + " to " + clock(i.end); }), hoverinfo: "text"
      };
    }
    var span = this.window[1] - this.window[0], wide = this.width();
    var labels = holds.map(function (h) { return (h.end - h.start) / span * wide > 9 * h.label.length + 4 ? h.label : ""; });
    var all = bar(holds, 1, holds.map(function (h) { return look.of(h.struck ? "struck" : h.kind); }), labels);
    all.textfont = { size: 13, color: holds.map(function (h) { return h.kind === "glide" ? "#17212b" : look.card; }) };
    all.customdata = holds.map(function (h) { return h.number; });
    var not = bar(turned, 0, clear(look.of("struck"), 0.65), turned.map(function () { return ""; }));
    return [all, not];
  };

  History.prototype.draw = function () {
    var look = theme(), self = this, panels = this.about.panels, count = Math.max(panels.length, 1);
    var top = 0.86, gap = 0.024, tall = (top - gap * (count - 1)) / count;
    var shown = this.lane(look);
    var narrow = this.plot.clientWidth < 520;
    var more = {
      xaxis: axis(look, { range: this.window.slice(), fixedrange: false, zeroline: false, anchor: "free", position: 0, title: { text: "Time since the first sample [min:s]", standoff: 6, font: { size: 14 } }, side: "bottom", showspikes: true, spikemode: "across", spikethickness: 1, spikecolor: look.soft, spikedash: "solid", spikesnap: "cursor", unifiedhovertitle: { text: "%{x:.1f} s" } }),
      yaxis: axis(look, { domain: [0.91, 1], range: [-0.5, 1.5], tickvals: [0, 1], ticktext: narrow ? ["not", "hold"] : ["not held", "holds"], showgrid: false, zeroline: false, ticks: "" }),
      shapes: this.bands(look), annotations: [], barmode: "overlay", hovermode: "x unified", hoversubplots: "axis", showlegend: false,
      margin: { l: narrow ? 46 : 62, r: 8, t: 6, b: 44 }, height: this.plot.clientHeight || 760, dragmode: this.mode()
    };
    this.ticks(more.xaxis, this.window);
    panels.forEach(function (panel, k) {
      var foot = top - (k + 1) * tall - k * gap;
      var name = "yaxis" + (k + 2);
      more[name] = axis(look, { domain: [foot, foot + tall - 0.026], range: self.whole[k].slice(), nticks: 5, zeroline: self.whole[k][0] < 0 });
      more.annotations.push({ text: panel.name + " [" + panel.unit + "]", xref: "paper", yref: "paper", x: 0, y: foot + tall - 0.026, xanchor: "left", yanchor: "bottom", showarrow: false, font: { size: 13.5, color: look.ink } });
      shown.push({
        type: "scatter", mode: "lines", x: self.data.t, y: self.data.values[k], xaxis: "x", yaxis: "y" + (k + 2), name: panel.name, line: { color: look.ink, width: 1.1 },
        hovertemplate: "%{y:.4~g} " + panel.unit + "<extra>" + panel.name.split(",")[0] + "</extra>", connectgaps: false
      });
    });
    this.loaded = [this.data.start, this.data.end];
    this.detail = this.window[1] - this.window[0];
    return this.Plotly.react(this.plot, shown, frame(look, more), CONFIG);
  };

  History.prototype.ticks = function (target, range, prefix) {
    var span = range[1] - range[0], steps = [0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 30, 60, 120, 300, 600, 1200, 1800, 3600, 7200, 14400, 28800];
    var most = this.plot.clientWidth < 520 ? 4 : 9;
    var step = steps.filter(function (s) { return span / s <= most; })[0] || 86400;
    var values = [];
    // Beyond both ends too, so that a chart that is being pulled along has its ticks.
    for (var t = Math.ceil((range[0] - span) / step) * step; t <= range[1] + span; t += step) { values.push(Math.round(t * 10) / 10); }
    target[(prefix || "") + "tickvals"] = values;
    target[(prefix || "") + "ticktext"] = values.map(clock);
  };

  History.prototype.mode = function () {
    var chosen = this.element.getAttribute("data-mode");
    if (chosen) { return chosen === "mark" ? "select" : chosen === "zoom" ? "zoom" : "pan"; }
    return window.matchMedia("(pointer: coarse)").matches ? false : "pan";
  };

  History.prototype.listen = function () {
    var self = this;
    this.plot.on("plotly_relayout", function (change) {
      var low = change["xaxis.range[0]"], high = change["xaxis.range[1]"];
      if (change["xaxis.range"]) { low = change["xaxis.range"][0]; high = change["xaxis.range"][1]; }
      // Its own moves come back here too, with the stretch that is shown already.
      if (low === undefined || Math.abs(low - self.window[0]) + Math.abs(high - self.window[1]) < 1e-6) { return; }
      self.show(+low, +high);
    });
    this.plot.on("plotly_selected", function (event) {
      if (!event || !event.range || !event.range.x) { return; }
      var range = event.range.x.map(Number).sort(function (a, b) { return a - b; });
      self.Plotly.relayout(self.plot, { selections: [] });
      self.tell("range", { start: range[0], end: range[1] });
    });
    this.plot.on("plotly_click", function (event) {
      event.points.forEach(function (point) {
        if (point.curveNumber === 0) { self.tell("hold", self.holds[point.pointNumber]); }
      });
    });
    this.plot.addEventListener("pointerdown", function () { self.held = true; }, true);
    ["pointerup", "pointercancel", "blur"].forEach(function (name) { window.addEventListener(name, function () { self.held = false; }, true); });
    this.element.querySelectorAll("[data-do]").forEach(function (button) {
      button.addEventListener("click", function () { self.act(button.getAttribute("data-do")); });
    });
    this.element.querySelectorAll("[data-set-mode]").forEach(function (button) {
      button.addEventListener("click", function () {
        self.element.setAttribute("data-mode", button.getAttribute("data-set-mode"));
        self.element.querySelectorAll("[data-set-mode]").forEach(function (other) { other.setAttribute("aria-pressed", other === button ? "true" : "false"); });
        self.Plotly.relayout(self.plot, { dragmode: self.mode() });
      });
    });
    this.plot.addEventListener("keydown", function (event) {
      var act = { ArrowLeft: "left", ArrowRight: "right", "+": "in", "=": "in", "-": "out", "0": "whole", Home: "first", End: "last" }[event.key];
      if (act && !event.ctrlKey && !event.metaKey && !event.altKey) { event.preventDefault(); self.act(act); }
    });
    this.plot.addEventListener("wheel", function (event) {
      if (!event.ctrlKey && !event.shiftKey) { return; }
      event.preventDefault();
      self.act((event.deltaY || event.deltaX) > 0 ? "out" : "in");
    }, { passive: false });
  };

  History.prototype.act = function (what) {
    var low = this.window[0], high = this.window[1], span = high - low, middle = (low + high) / 2;
    if (what === "left") { this.show(low - 0.25 * span, high - 0.25 * span); }
    if (what === "right") { this.show(low + 0.25 * span, high + 0.25 * span); }
    if (what === "in") { this.show(middle - 0.3 * span, middle + 0.3 * span); }
    if (what === "out") { this.show(middle - 0.84 * span, middle + 0.84 * span); }
    if (what === "whole") { this.show(this.data.first, this.data.last); }
    if (what === "first") { this.show(this.data.first, this.data.first + span); }
    if (what === "last") { this.show(this.data.last - span, this.data.last); }
  };

  // Show a stretch, kept inside the sortie; fetch what it needs a moment after the last move.
  History.prototype.show = function (low, high) {
    var first = this.data.first, last = this.data.last, self = this;
    var span = Math.min(Math.max(high - low, 2), last - first);
    low = Math.min(Math.max(low, first), last - span);
    this.window = [low, low + span];
    var change = { "xaxis.range": this.window.slice() };
    this.ticks(change, this.window, "xaxis.");
    window.clearTimeout(this.timer);
    this.timer = window.setTimeout(function () { self.refresh(); }, 70);
    return this.Plotly.relayout(this.plot, change);
  };

  History.prototype.refresh = function () {
    var self = this, low = this.window[0], high = this.window[1], span = high - low;
    if (this.held) { // drawing anew would let go of what is being pulled
      this.timer = window.setTimeout(function () { self.refresh(); }, 150);
      return Promise.resolve();
    }
    var near = Math.abs(Math.log(span / this.detail)) < 0.2;
    var inside = (low >= this.loaded[0] || this.loaded[0] <= this.data.first) && (high <= this.loaded[1] || this.loaded[1] >= this.data.last);
    if (near && inside) { this.say(); return Promise.resolve(); }
    var start = Math.max(low - 0.5 * span, this.data.first), end = Math.min(high + 0.5 * span, this.data.last);
    var steps = Math.round(0.85 * this.width() * (end - start) / span);
    var mine = ++this.asked;
    return this.fetch("?start=" + start.toFixed(3) + "&end=" + end.toFixed(3) + "&width=" + steps).then(function (data) {
      if (mine !== self.asked) { return undefined; }
      if (self.held) { return self.refresh(); }
      self.data = data;
      self.loaded = [data.start, data.end];
      self.detail = span;
      var places = data.values.map(function (_, k) { return k + 2; });
      var heights = span < 0.4 * (data.last - data.first) ? self.heights(data, [[low, high]]) : self.whole;
      var layoutChange = {};
      heights.forEach(function (range, k) { layoutChange["yaxis" + (k + 2) + ".range"] = range.slice(); });
      var look = theme();
      return self.Plotly.update(self.plot, { x: data.values.map(function () { return data.t; }), y: data.values }, layoutChange, places)
        .then(function () { return self.Plotly.restyle(self.plot, { text: [self.lane(look)[0].text] }, [0]); })
        .then(function () { self.say(); });
    }).catch(function () { if (self.said) { self.said.textContent = "The time histories could not be had. Is the server still running?"; } });
  };

  // Put other holds in place of those shown: [{number, label, kind, start, end, words, struck}].
  History.prototype.setHolds = function (holds) {
    this.holds = holds;
    return this.draw();
  };

  History.prototype.say = function () {
    if (!this.said) { return; }
    var low = this.window[0], high = this.window[1];
    var seen = this.holds.filter(function (h) { return h.end > low && h.start < high; }).map(function (h) { return h.label; });
    this.said.textContent = clock(low) + " to " + clock(high) + " min:s" + (seen.length ? "; holds " + seen.join(", ") : "; no hold");
  };

  History.prototype.tell = function (name, detail) {
    this.element.dispatchEvent(new CustomEvent("flightproc:" + name, { detail: detail, bubbles: true }));
  };

  // -------------------------------------------------------------------------------------------- beginning

  function all() {
    document.querySelectorAll("[data-chart]").forEach(function (element) {
      if (!element.flightprocSpec && element.getAttribute("data-chart")) { draw(element, JSON.parse(element.getAttribute("data-chart"))); }
    });
    document.querySelectorAll("[data-histories]").forEach(function (element) {
      if (!element.flightprocHistory) { element.flightprocHistory = new History(element); }
    });
  }

  window.flightproc.charts = { draw: draw, all: all, load: load };
  // After the first picture of the page, so that it can be used before the library is there.
  window.requestAnimationFrame(function () { window.setTimeout(all, 0); });
  window.matchMedia("(prefers-color-scheme: dark)").addEventListener("change", function () {
    document.querySelectorAll("[data-chart]").forEach(function (element) { if (element.flightprocSpec) { draw(element, element.flightprocSpec); } });
    document.querySelectorAll("[data-histories]").forEach(function (element) { if (element.flightprocHistory && element.flightprocHistory.about) { element.flightprocHistory.draw(); } });
  });
})();
