"use strict";
// The number pad in the middle of the clock: it types into the field last touched, so that gloves need no
// system keyboard. Leaving a field, or Next, sends it; every sending carries a key, so that sent twice is stored once.
(() => {
  let field = null;
  const fields = () => [...document.querySelectorAll("#clock form[data-reading] input[name=value]:not([readonly])")];

  // Where all of the clock fits on the screen it stands there whole, and going on to a field scrolls nothing.
  const clock = () => document.getElementById("clock");
  const fits = () => clock().offsetHeight <= window.innerHeight;
  const toField = (input) => input.focus({ preventScroll: fits() });

  // What stands above the pad comes and goes with every reading, and half a key lower a 5 is an 8. While somebody types,
  // the page scrolls along by as much; where it is at its top, the room is kept.
  let stood = null, kept = 0;
  const keep = (room) => {
    kept = room;
    document.getElementById("clock-area").style.paddingTop = kept ? `${kept}px` : "";
  };
  const place = () => {
    const pad = document.querySelector("#clock .pad");
    return pad && pad.offsetParent ? pad.getBoundingClientRect().top + window.scrollY : null;
  };
  const steady = () => {
    let now = place();
    if (now !== null && stood !== null && fields().includes(document.activeElement)) {
      let moved = now - stood;
      const given = Math.min(Math.max(moved, 0), kept);
      if (given) keep(kept - given);
      moved -= given;
      const before = window.scrollY;
      window.scrollBy({ top: Math.ceil(moved), behavior: "instant" }); // by whole pixels; the rest of one is kept
      moved -= window.scrollY - before;
      if (moved < -0.02) keep(kept - moved);
      now = place();
    }
    stood = now;
  };

  linelog.stand = () => { stood = place(); };
  window.addEventListener("resize", linelog.stand); // a tablet that is turned
  document.addEventListener("pointerdown", linelog.stand, true); // what counts is where it was under the last touch

  const mark = (input) => {
    for (const other of fields()) other.closest("form").classList.toggle("here", other === input);
    field = input;
  };

  // In a plant that types thousandths a whole number is one: the field shows at once what it stands for.
  const inFull = (text, unit) => {
    const whole = /^\s*([+\-−–]?)(\d{1,6})\s*$/.exec(text);
    if (!whole || unit === "um" || !("thousandths" in document.getElementById("clock").dataset) || !Number(whole[2])) return text;
    return whole[1] + (Number(whole[2]) / 1000).toFixed(3);
  };
  const send = (input) => {
    if (input && input.dataset.sent !== input.value) input.value = inFull(input.value, input.form.elements.unit.value);
    // The same value typed once more is sent as well: it may have been read again. Nothing typed is nothing read.
    if (!input || (input.dataset.sent === input.value && !(input.dataset.since === "1" && input.value))) return;
    delete input.dataset.since;
    input.dataset.sent = input.value;
    input.form.dataset.key = linelog.newKey();
    input.form.dispatchEvent(new CustomEvent("reading"));
  };

  // The next one round the clock; after the last the one that was left out, or none: it begins nothing anew.
  const nextOf = (input) => {
    const all = fields();
    return all[all.indexOf(input) + 1] || all.slice(0, -1).find((other) => !other.value);
  };
  const done = (input) => {
    mark(null);
    input.blur();
    document.getElementById("result").focus({ preventScroll: true }); // where Enter does nothing
    document.getElementById("offer")?.scrollIntoView({ block: "nearest" });
  };

  const flip = (text) => (text.startsWith("-") || text.startsWith("−") ? text.slice(1) : `-${text.replace(/^\+/, "")}`);

  const press = (key) => {
    if (field && !field.isConnected) field = document.getElementById(field.id); // the same place on a clock drawn anew
    if (!field) {
      mark(fields().find((input) => !input.value));
      if (field) field.dataset.fresh = "1";
    }
    if (!field) return;
    if (key === "next") {
      send(field);
      const following = nextOf(field);
      if (!following) { done(field); return; }
      toField(following);
      following.select();
      return;
    }
    const { fresh } = field.dataset;
    if (key === "back") field.value = field.value.slice(0, -1);
    else if (key === "sign") field.value = flip(field.value);
    else if (fresh === "1") field.value = key;
    else if (fresh === "minus") field.value = `-${key}`; // as on a keyboard: sign and digits are a new number
    else field.value += key;
    if (key === "sign" && (fresh === "1" || fresh === "minus")) field.dataset.fresh = fresh === "1" ? "minus" : "1";
    else field.dataset.fresh = "0";
    field.dispatchEvent(new Event("input", { bubbles: true }));
  };

  document.addEventListener("focusin", (event) => {
    if (!event.target.matches("#clock input[name=value]")) return;
    mark(event.target);
    const { top, bottom } = clock().getBoundingClientRect(), isCut = top < -2 || bottom > window.innerHeight + 2;
    if (!linelog.isSwapping && isCut && fits()) clock().scrollIntoView({ block: "nearest" });
    linelog.stand();
    if (!("sent" in field.dataset)) field.dataset.sent = field.value;
    field.dataset.fresh = "1"; // the first digit replaces what stood there
  });
  document.addEventListener("focusout", (event) => {
    if (!linelog.isSwapping && event.target.matches("#clock input[name=value]")) send(event.target);
  });
  // Keep the focus in the field while the pad is pressed; act on release.
  document.addEventListener("pointerdown", (event) => {
    if (event.target.closest(".pad [data-key]")) event.preventDefault();
  });
  document.addEventListener("click", (event) => {
    const button = event.target.closest(".pad [data-key]");
    if (button) press(button.dataset.key);
  });
  // A keyboard, or an indicator that types as one: digits, a sign, Enter. On the clock it goes on by itself; in another
  // form Enter leads to the next field, and sends from the last.
  const following = (input) => {
    const all = [...input.form.querySelectorAll("input:not([type=hidden]), select, textarea")].filter((one) => one.offsetParent);
    return all.slice(all.indexOf(input) + 1).find((one) => one.matches("input[type=text], input[type=number]"));
  };
  const replace = (input) => {
    if (input.dataset.fresh === "1" && input.selectionStart === input.selectionEnd) input.select();
    input.dataset.fresh = "0";
  };
  document.addEventListener("keydown", (event) => {
    const { key, target } = event, isTyped = /^[0-9.,+−-]$/.test(key) && !event.ctrlKey && !event.metaKey && !event.altKey;
    if (target.matches("#clock input[name=value]")) {
      if (key === "Enter") { event.preventDefault(); press("next"); }
      if (isTyped) replace(target);
    } else if (key === "Enter" && target.matches("form[data-queued] input:not([type=checkbox])")) {
      const next = following(target);
      if (!next) return;
      event.preventDefault();
      next.focus();
      next.select();
    }
  });

  // An answer to what was asked back under the clock: the field shows at once what it comes to.
  document.addEventListener("submit", (event) => {
    const answer = event.target.closest("form[data-answer]");
    const input = answer && document.getElementById(`in-${answer.dataset.answer}`);
    if (!input) return;
    input.value = linelog.inUnit(answer.elements.value.value, answer.elements.unit.value, input.form.elements.unit.value);
    input.dataset.sent = input.value;
  }, true);

  document.addEventListener("htmx:configRequest", (event) => {
    const form = event.detail.elt.closest("form[data-queued]");
    if (!form) return;
    form.dataset.key = form.dataset.key || linelog.newKey();
    event.detail.headers["X-Write-Key"] = form.dataset.key;
  });
  // A new answer ends the key's life; only a sending that got no answer is repeated under the same one.
  document.addEventListener("htmx:afterRequest", (event) => {
    const form = event.detail.elt.closest("form[data-queued]");
    if (!form || !event.detail.xhr || event.detail.xhr.status === 0) return;
    delete form.dataset.key;
    const input = form.querySelector("input[name=value]");
    if (input) input.setAttribute("aria-invalid", event.detail.successful ? "false" : "true");
  });
  document.addEventListener("htmx:sendError", (event) => {
    const input = event.detail.elt.querySelector && event.detail.elt.querySelector("input[name=value]");
    if (input) delete input.dataset.sent;
  });
  document.addEventListener("DOMContentLoaded", () => {
    const first = fields().find((input) => !input.value);
    if (first) first.focus({ preventScroll: true });
    new MutationObserver(steady).observe(document.body, { subtree: true, childList: true, characterData: true, attributes: true });
  });
})();
