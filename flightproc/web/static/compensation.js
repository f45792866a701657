// Sliders of a compensation: each move asks for what is left, one question at a time, the newest last.
"use strict";
(function () {
  var form = document.getElementById("sliders");
  if (!form) { return; }
  var busy = false, wanted = false, last = 0;
  document.getElementById("show").hidden = true;

  function settings() {
    var out = { result: form.elements.result.value };
    form.querySelectorAll("input[type=range]").forEach(function (slider) { out[slider.name] = Number(slider.value); });
    return out;
  }

  function show() {
    form.querySelectorAll("input[type=range]").forEach(function (slider) {
      var output = document.getElementById("o-" + slider.name), step = Number(slider.step);
      var text = Number(slider.value).toFixed(step >= 1 ? 0 : 1).replace("-", "\u2212") + " " + output.getAttribute("data-unit");
      output.textContent = text;
      slider.setAttribute("aria-valuetext", text);
    });
    document.getElementById("back").hidden = Array.prototype.every.call(form.querySelectorAll("input[type=range]"), function (s) { return Number(s.value) === 0; });
  }

  function cell(row, text, head) {
    var made = document.createElement(head ? "th" : "td");
    if (head) { made.scope = "row"; } else { made.className = "n"; }
    // Figures come as value and bounds; the bounds stand in their own line.
    var parts = /^(.*?)\s*<span class="ci">(.*)<\/span>$/.exec(text);
    made.textContent = parts ? parts[1] + " " : text;
    if (parts) {
      var bounds = document.createElement("span");
      bounds.className = "ci";
      bounds.textContent = parts[2];
      made.appendChild(bounds);
    }
    row.appendChild(made);
  }

  function take(found) {
    document.getElementById("said").textContent = found.said;
    var body = document.getElementById("phases");
    body.textContent = "";
    found.rows.forEach(function (item) {
      var row = document.createElement("tr");
      cell(row, item.phase, true);
      ["rpm", "before", "after", "moment", "chance", "loss"].forEach(function (key) { cell(row, item[key], false); });
      body.appendChild(row);
    });
    return Promise.all(["turn", "moment"].map(function (key) {
      return window.flightproc.charts.draw(document.getElementById("chart-" + key), found.drawn[key]);
    }));
  }

  function ask() {
    if (busy) { wanted = true; return; }
    var wait = 110 - (performance.now() - last);
    busy = true;
    window.setTimeout(function () {
      last = performance.now();
      wanted = false;
      window.flightproc.post(form.getAttribute("data-answer"), settings())
        .then(function (answer) { if (!answer.ok) { throw new Error(String(answer.status)); } return answer.json(); })
        .then(take)
        .catch(function () { document.getElementById("said").textContent = "The answer could not be had. Is the server still running?"; })
        .then(function () { busy = false; if (wanted) { ask(); } });
    }, Math.max(wait, 0));
  }

  form.addEventListener("input", function () { show(); ask(); });
  document.getElementById("back").addEventListener("click", function () {
    form.querySelectorAll("input[type=range]").forEach(function (slider) { slider.value = "0"; });
    show();
    ask();
    form.querySelector("input[type=range]").focus();
  });
  show();
})();
