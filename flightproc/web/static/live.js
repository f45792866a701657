// A form whose answer follows what is typed: the part of the page with the answer is fetched anew after each pause.
"use strict";
(function () {
  var form = document.querySelector("form[data-live]");
  var answer = document.getElementById("answer");
  if (!form || !answer) { return; }
  var timer = 0, asked = 0;

  function mark() {
    // Fields that the answer's list of faults points to are marked as the page would mark them.
    form.querySelectorAll("[aria-invalid=true]").forEach(function (input) { input.removeAttribute("aria-invalid"); });
    answer.querySelectorAll("#faults a[href^='#']").forEach(function (link) {
      var input = document.getElementById(link.getAttribute("href").slice(1));
      if (input) { input.setAttribute("aria-invalid", "true"); }
    });
  }

  function ask() {
    var mine = ++asked;
    answer.setAttribute("aria-busy", "true");
    fetch(form.getAttribute("data-live"), { method: "POST", body: new URLSearchParams(new FormData(form)), credentials: "same-origin" })
      .then(function (found) { if (!found.ok) { throw new Error(String(found.status)); } return found.text(); })
      .then(function (text) {
        if (mine !== asked) { return; }
        answer.innerHTML = text;
        form.querySelectorAll(".fault").forEach(function (old) { old.remove(); });
        mark();
        window.flightproc.charts.all();
      })
      .catch(function () { if (mine === asked) { answer.textContent = "The answer could not be had. Is the server still running?"; } })
      .then(function () { if (mine === asked) { answer.removeAttribute("aria-busy"); } });
  }

  form.addEventListener("input", function (event) {
    if (event.target.id === "pasted" || event.target.id === "f-kind") { return; }
    window.clearTimeout(timer);
    timer = window.setTimeout(ask, 450);
  });
  var kind = document.getElementById("f-kind");
  if (kind) { kind.addEventListener("change", function () { form.requestSubmit(); }); }

  var more = document.getElementById("more-rows"), rows = document.getElementById("rows"), count = document.getElementById("row-count");
  if (more && rows && count) {
    more.hidden = false;
    more.addEventListener("click", function () {
      var number = Number(count.value);
      if (number >= 60) { return; }
      var row = rows.lastElementChild.cloneNode(true);
      row.querySelector("th").textContent = String(number + 1);
      row.querySelectorAll(".fault").forEach(function (fault) { fault.remove(); });
      row.querySelectorAll("input").forEach(function (input) {
        input.value = "";
        input.removeAttribute("aria-invalid");
        input.name = input.name.replace(/\.\d+\./, "." + number + ".");
        input.id = input.id.replace(/-\d+-/, "-" + number + "-");
        input.setAttribute("aria-label", input.getAttribute("aria-label").replace(/\d+/, String(number + 1)));
      });
      rows.appendChild(row);
      count.value = String(number + 1);
      row.querySelector("input").focus();
    });
  }
})();
