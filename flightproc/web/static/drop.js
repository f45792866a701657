// Files dropped or chosen: shown, held against the caps, sent with progress. Without this the form works plainly.
"use strict";
(function () {
  var form = document.getElementById("drop");
  if (!form) { return; }
  var input = document.getElementById("files");
  var list = document.getElementById("chosen");
  var fault = document.getElementById("drop-fault");
  var files = [];

  function words(size) {
    return size < 1e6 ? (size / 1e3).toFixed(1) + " kB" : (size / 1e6).toFixed(1) + " MB";
  }
  function tell(text) { fault.textContent = text; fault.hidden = !text; }
  function show() {
    list.textContent = "";
    files.forEach(function (file) {
      var item = document.createElement("li");
      item.textContent = file.name + " (" + words(file.size) + ")";
      list.appendChild(item);
    });
    input.required = files.length === 0;
  }
  function take(found) {
    Array.from(found).forEach(function (file) {
      files = files.filter(function (other) { return other.name !== file.name || other.size !== file.size; });
      files.push(file);
    });
    tell("");
    show();
  }
  input.addEventListener("change", function () { files = []; take(input.files); });
  ["dragenter", "dragover"].forEach(function (name) {
    document.addEventListener(name, function (event) {
      event.preventDefault();
      form.classList.add("over");
    });
  });
  ["dragleave", "drop"].forEach(function (name) {
    document.addEventListener(name, function (event) {
      event.preventDefault();
      if (name === "drop" || !event.relatedTarget) { form.classList.remove("over"); }
    });
  });
  document.addEventListener("drop", function (event) {
    if (event.dataTransfer && event.dataTransfer.files.length) { take(event.dataTransfer.files); }
  });
  form.addEventListener("submit", function (event) {
    event.preventDefault();
    var total = files.reduce(function (sum, file) { return sum + file.size; }, 0);
    var large = files.filter(function (file) { return file.size > Number(form.dataset.file); });
    if (!files.length) { tell("Choose at least one file."); return; }
    if (files.length > Number(form.dataset.files)) { tell("More than " + form.dataset.files + " files at once."); return; }
    if (large.length) { tell(large[0].name + " is larger than " + words(Number(form.dataset.file)) + "."); return; }
    if (total > Number(form.dataset.most)) { tell("More than " + words(Number(form.dataset.most)) + " at once."); return; }
    send(total);
  });
  function send(total) {
    var body = new FormData();
    files.forEach(function (file) { body.append("files", file, file.name); });
    var button = form.querySelector("button[type=submit]");
    var sending = document.getElementById("sending");
    var bar = document.getElementById("sent");
    var line = document.getElementById("sent-words");
    var request = new XMLHttpRequest();
    request.open("POST", form.getAttribute("action"));
    request.setRequestHeader("Accept", "application/json");
    request.setRequestHeader("X-CSRF-Token", window.flightproc.csrf());
    button.disabled = true;
    sending.hidden = false;
    line.textContent = "sending " + words(total);
    request.upload.addEventListener("progress", function (event) {
      if (event.lengthComputable) { bar.value = event.loaded / event.total; }
    });
    function stop(text) {
      button.disabled = false;
      sending.hidden = true;
      tell(text);
    }
    request.addEventListener("load", function () {
      var answer = {};
      try { answer = JSON.parse(request.responseText); } catch (error) { answer = {}; }
      if (request.status < 300 && answer.address) { window.location.assign(answer.address); return; }
      var text = answer.detail || request.responseText.slice(0, 300) || "The upload was refused.";
      (answer.faults || []).forEach(function (item) { text += " " + item.words + "."; });
      stop(text);
    });
    request.addEventListener("error", function () { stop("The server did not answer. Is it still running? Nothing was kept; try again."); });
    request.send(body);
  }
})();
