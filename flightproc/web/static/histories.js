// Holds chosen and stretches marked on the time histories go into the form beneath.
"use strict";
(function () {
  var chart = document.querySelector("[data-histories]"), form = document.getElementById("edit"), said = document.getElementById("edit-words");
  if (!chart || !form) { return; }
  var chosen = null;

  function put(id, value) { document.getElementById(id).value = value === null ? "" : value.toFixed(1); }

  function fit() {
    var action = form.elements.action.value;
    form.querySelectorAll("[data-for]").forEach(function (field) { field.hidden = field.getAttribute("data-for") !== action; });
  }

  chart.addEventListener("flightproc:hold", function (event) {
    chosen = event.detail;
    form.elements.action.value = "strike";
    put("e-start", chosen.start);
    put("e-end", chosen.end);
    put("e-new-start", chosen.start);
    put("e-new-end", chosen.end);
    fit();
    said.textContent = chosen.label + " is chosen: " + chosen.words + ". Strike it, or mark where it is to lie.";
  });

  chart.addEventListener("flightproc:range", function (event) {
    var start = event.detail.start, end = event.detail.end;
    if (chosen && start < chosen.end && end > chosen.start) {
      form.elements.action.value = "move";
      put("e-new-start", start);
      put("e-new-end", end);
      said.textContent = chosen.label + " is to lie from " + start.toFixed(1) + " to " + end.toFixed(1) + " s.";
    } else {
      chosen = null;
      form.elements.action.value = "add";
      put("e-start", start);
      put("e-end", end);
      said.textContent = "A hold from " + start.toFixed(1) + " to " + end.toFixed(1) + " s is to be added.";
    }
    fit();
  });

  form.elements.action.addEventListener("change", fit);
  fit();
})();
