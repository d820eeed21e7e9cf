"use strict";
// The number pad of the PIN page; without it the field and the button do the same.
(() => {
  const field = document.getElementById("id_pin");
  const pad = document.getElementById("pin-keys");
  field.setAttribute("inputmode", "none"); // the pad is the keyboard
  pad.hidden = false;
  document.getElementById("no-pad").hidden = true;
  pad.addEventListener("click", (event) => {
    const key = event.target.closest("[data-key]");
    if (!key) return;
    if (key.dataset.key === "back") field.value = field.value.slice(0, -1);
    else if (field.value.length < field.maxLength) field.value += key.dataset.key;
  });
})();
