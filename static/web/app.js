"use strict";
// What every page shares: a control that sends is disabled until the answer is there, and trouble is told plainly.
(() => {
  const trouble = () => document.getElementById("trouble");
  const say = (sentence) => {
    const box = trouble();
    box.textContent = sentence;
    box.hidden = false;
  };
  linelog.say = say;
  document.addEventListener("htmx:sendError", () =>
    say("No connection: this was not sent. It stays on the page; try again when the network is back."));
  document.addEventListener("htmx:responseError", (event) => {
    const id = event.detail.xhr.getResponseHeader("X-Request-Id");
    say(`The program could not do that (number ${id || "unknown"}). What was saved before is safe.`);
  });
  // A refusal of the page as a whole is put into the box itself.
  document.addEventListener("htmx:afterOnLoad", (event) => { trouble().hidden = event.detail.target !== trouble(); });
  document.addEventListener("submit", (event) => {
    const form = event.target;
    if (form.hasAttribute("hx-post") || form.method.toLowerCase() !== "post") return;
    for (const button of form.querySelectorAll("button[type=submit], button:not([type])")) {
      setTimeout(() => { button.disabled = true; }, 0);
    }
  });
  // A page taken out of the browser's store must not keep its buttons dead.
  window.addEventListener("pageshow", (event) => {
    if (!event.persisted) return;
    for (const button of document.querySelectorAll("button:disabled")) button.disabled = false;
  });
  document.addEventListener("click", (event) => {
    const printer = event.target.closest("[data-print]");
    if (printer) window.print();
  });
})();
