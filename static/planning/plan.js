"use strict";
// Dragging an entry into another week does what its own 'Set' button does after choosing that week.
(() => {
  let held = null;
  document.addEventListener("dragstart", (event) => {
    held = event.target.closest?.(".planned[draggable]") ?? null;
    if (held) event.dataTransfer.setData("text/plain", held.id);
  });
  document.addEventListener("dragover", (event) => {
    if (held && event.target.closest?.("[data-week]")) event.preventDefault();
  });
  document.addEventListener("drop", (event) => {
    const week = event.target.closest?.("[data-week]");
    const form = held?.querySelector("form");
    held = null;
    if (!week || !form) return;
    event.preventDefault();
    const choice = form.elements.namedItem("week");
    if (choice.value === week.dataset.week) return;
    choice.value = week.dataset.week;
    form.requestSubmit();
  });
  // After a change the plan is drawn anew: the keyboard stays at the entry that was changed.
  document.addEventListener("htmx:beforeSwap", (event) => {
    const from = event.detail.requestConfig?.elt?.closest?.(".planned");
    if (from) document.body.dataset.plannedFocus = from.id;
  });
  document.addEventListener("htmx:afterSettle", () => {
    const id = document.body.dataset.plannedFocus;
    delete document.body.dataset.plannedFocus;
    const entry = document.getElementById(id);
    const about = entry?.querySelector("details");
    if (about) about.open = true;
    entry?.querySelector("select")?.focus();
  });
})();
