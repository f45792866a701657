// Small helps that every page has: faults take the focus, wide tables can be scrolled by key.
"use strict";
(function () {
  var faults = document.getElementById("faults");
  if (faults) { faults.focus(); }
  document.querySelectorAll("form[data-once]").forEach(function (form) {
    form.addEventListener("submit", function () {
      form.querySelectorAll("button[type=submit]").forEach(function (button) {
        window.setTimeout(function () { button.disabled = true; }, 0);
      });
    });
  });
  window.addEventListener("pageshow", function () {
    document.querySelectorAll("form[data-once] button[type=submit]").forEach(function (button) {
      button.disabled = false;
    });
  });
  document.querySelectorAll("[data-confirm]").forEach(function (item) {
    item.addEventListener("click", function (event) {
      if (!window.confirm(item.getAttribute("data-confirm"))) { event.preventDefault(); }
    });
  });
  window.flightproc = {
    csrf: function () { return document.querySelector("meta[name=csrf]").content; },
    get: function (address) {
      return fetch(address, { credentials: "same-origin", headers: { "Accept": "application/json" } });
    },
    post: function (address, body) {
      return fetch(address, {
        method: "POST", credentials: "same-origin", body: JSON.stringify(body),
        headers: { "Content-Type": "application/json", "Accept": "application/json", "X-CSRF-Token": window.flightproc.csrf() }
      });
    }
  };
})();
