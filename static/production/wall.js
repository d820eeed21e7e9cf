"use strict";
// Enter, which a gauge on a cable sends after each value, goes on to the next position instead of sending the form.
document.addEventListener("keydown", (event) => {
  if (event.key !== "Enter" || !event.target.matches("input[data-wall]")) return;
  event.preventDefault();
  const places = [...document.querySelectorAll("input[data-wall]")];
  const next = places[places.indexOf(event.target) + 1];
  const group = next && next.closest("fieldset");
  // To the second height only where it is read.
  if (next && (group === event.target.closest("fieldset") || group.querySelector("input").value)) {
    next.focus();
    next.select();
  } else {
    event.target.form.querySelector("button.main").focus();
  }
});
