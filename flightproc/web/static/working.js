// Follows a task: progress, first result, and the page anew once it is done.
"use strict";
(function () {
  var work = document.getElementById("work") || document.getElementById("pdf");
  if (!work) { return; }
  var job = work.dataset.job;
  var bar = document.getElementById("bar");
  var line = document.getElementById("words");
  var first = document.getElementById("first");
  var shown = false;
  var failures = 0;
  var begun = Date.now();

  function showFirst() {
    shown = true;
    fetch("/sorties/" + job + "/first", { credentials: "same-origin" }).then(function (answer) {
      if (!answer.ok) { shown = false; return ""; }
      return answer.text();
    }).then(function (text) {
      if (!text) { return; }
      first.innerHTML = "<h2>First result</h2><p class=\"soft\">Before the blade is calibrated on the rig; the whole follows.</p>" + text;
      first.hidden = false;
      first.dataset.at = String(performance.now());
    });
  }
  function look() {
    window.flightproc.get("/api/sorties/" + job).then(function (answer) {
      if (answer.status === 404) { window.location.assign("/"); throw new Error("gone"); }
      if (!answer.ok) { throw new Error(String(answer.status)); }
      return answer.json();
    }).then(function (state) {
      failures = 0;
      if (!state.busy) { window.location.reload(); return; }
      if (bar) { bar.value = state.progress.share; }
      var words = state.waiting ? state.waiting + (state.waiting === 1 ? " sortie comes first" : " sorties come first") : state.progress.words || "starting";
      if (line && line.textContent !== words) { line.textContent = words; }
      if (first && !shown && state.progress.stage) { showFirst(); }
      window.setTimeout(look, Date.now() - begun < 10000 ? 120 : 400);
    }).catch(function (error) {
      if (error.message === "gone") { return; }
      failures += 1;
      if (line && failures > 3) { line.textContent = "the server does not answer; the work is taken up again when it runs"; }
      window.setTimeout(look, Math.min(5000, 400 * failures));
    });
  }
  window.setTimeout(look, 100);
})();
