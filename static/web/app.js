"use strict";
// What every page shares: a control that sends is disabled until the answer is there, and trouble is told plainly.
(() => {
  const box = document.getElementById("trouble");
  const home = box.parentElement;
  let last = null; // the form sent last: what is wrong with it stands below it, over no other form
  document.addEventListener("submit", (event) => { last = event.target; }, true);
  const place = (near = last) => {
    const at = near && near.isConnected && near.closest("#clock, form");
    if (at && !at.closest("dialog, header")) at.after(box);
    else if (!box.isConnected) home.append(box);
  };
  const show = () => {
    box.hidden = false;
    box.scrollIntoView({ block: "nearest" });
  };
  const say = (sentence, near) => {
    place(near);
    box.textContent = sentence;
    show();
  };
  linelog.say = say;
  document.addEventListener("htmx:sendError", ({ detail }) =>
    say("No connection: this was not sent. It stays on the page; try again when the network is back.", detail.elt));
  document.addEventListener("htmx:responseError", ({ detail }) => {
    const id = detail.xhr.getResponseHeader("X-Request-Id");
    say(`The program could not do that (number ${id || "unknown"}). What was saved before is safe.`, detail.elt);
  });
  document.addEventListener("htmx:beforeSwap", ({ detail }) => { if (detail.target === box) place(detail.requestConfig.elt); });
  document.addEventListener("htmx:afterSwap", () => { if (!box.isConnected) home.append(box); });
  // A refusal of the page as a whole is put into the box itself.
  document.addEventListener("htmx:afterOnLoad", ({ detail }) => { if (detail.target === box) show(); else box.hidden = true; });
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
