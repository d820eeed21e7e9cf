"use strict";
// What is typed on the entry screen and not on the server yet: put back into the page, marked, worked out, and
// replaced by the server's answer when it comes.
(() => {
  const OF_PLACE = ["reading", "sweep", "accept"];
  const WHOLE = ["clearance", "position", "fitted"]; // what is sent of them stands for what was sent before
  const SECTIONS = { move: "moves", untouched: "moves", "move-back": "moves", running: "running", clearance: "clearance", position: "position", fitted: "fitted", sweep: "set-up", accept: "result", lockout: "lockout" };
  const late = []; // answers that wait until their form is left and no finger is down
  const old = new Set(); // what the server has and this page, kept from before, does not show
  let writes = [], first = true, isUnlocked = false;

  const fields = () => [...document.querySelectorAll("form[data-reading], form[data-queued=note]")];
  const formOf = (write) => write.field && fields().find((form) => linelog.fieldOf(form) === write.field);
  const wholeOf = (write) => [...document.querySelectorAll(`form[data-queued=${write.kind}][data-field]`)].find((form) => linelog.fieldOf(form) === write.field);
  const typedIn = (form) => form.elements.value || form.elements.note;
  const bodyOf = (write) => new URLSearchParams(write.body);
  const here = () => linelog.placeOf((document.querySelector("#clock form") || { action: location.href }).action);
  const isHere = (write) => {
    if (OF_PLACE.includes(write.kind)) return linelog.placeOf(write.url) === here();
    if (write.kind === "lockout") return write.url.startsWith(linelog.visitOf(here()));
    return linelog.placeOf(write.url).split("?")[0] === here().split("?")[0];
  };
  const madeAt = () => Number(document.getElementById("screen").dataset.madeAt);
  const isNews = (write) => write.state !== "sent" || write.sentAt > madeAt();

  const mark = (words, shape = "◷") => {
    const made = document.createElement("span");
    made.className = "unsent";
    made.append(shape, " ", words);
    return made;
  };

  linelog.setLocked = (isLocked) => {
    const section = document.getElementById("lockout"), pad = document.querySelector("#clock .pad");
    if (!section || (isLocked && !section.querySelector("form"))) return;
    for (const form of section.querySelectorAll("form")) form.hidden = !isLocked;
    for (const box of document.querySelectorAll("[data-under-lockout]")) box.hidden = isLocked;
    for (const says of document.querySelectorAll("[data-locked]")) says.hidden = !isLocked;
    if (!pad) return;
    pad.hidden = isLocked;
    for (const input of document.querySelectorAll("#clock input[name=value]")) input.readOnly = isLocked;
  };
  const setUp = (write) => {
    const chosen = bodyOf(write);
    linelog.chooseSetup(chosen);
    linelog.drawClock(Number(chosen.get("positions")), chosen.get("view"));
  };
  const raiseVersion = (form, { version }) => {
    if (Number(version) > Number(form.elements.version.value)) form.elements.version.value = version;
  };
  // Never over what a person has typed into this page, however late the tablet's store answers.
  const putBack = (write) => {
    const whole = WHOLE.includes(write.kind) && wholeOf(write);
    if (whole) {
      linelog.fillAgain(whole, bodyOf(write));
      if (write.state === "sent" && whole.elements.version) raiseVersion(whole, write);
    }
    const form = formOf(write);
    if (!form) return;
    const typed = typedIn(form), body = bodyOf(write);
    if (!typed.dataset.touched) {
      typed.value = body.get(typed.name);
      if (write.kind === "reading") typed.value = linelog.inUnit(typed.value, body.get("unit"), form.elements.unit.value);
      typed.dataset.sent = typed.value;
    }
    if (write.state === "sent") raiseVersion(form, write);
  };
  // What the server asked back or refused stands under the clock again, also after the page was left.
  const saidOf = (write) => write.kind === "reading" && document.getElementById(`said-${write.field.split("#")[1].trim()}`);
  linelog.isSaidHere = (write) => {
    const place = isHere(write) && saidOf(write);
    return Boolean(place && write.html && (first || place.firstElementChild)); // at first it is about to be put there
  };
  const sayAgain = (write) => {
    const place = saidOf(write);
    const said = place && write.html && new DOMParser().parseFromString(write.html, "text/html").getElementById(place.id);
    if (!said) return;
    place.replaceChildren(...said.childNodes);
    htmx.process(place);
  };
  const apply = (write) => {
    if (write.kind === "lockout" && write.state !== "held") linelog.setLocked(false);
    else if (write.kind === "sweep" && write.state !== "held") setUp(write);
    else putBack(write);
  };
  const overlay = () => {
    for (const write of writes.filter((one) => isHere(one) && isNews(one))) {
      if (write.state === "sent" && !formOf(write)) old.add(write.number);
      apply(write);
      if (write.state === "held") sayAgain(write);
    }
  };

  // In another tab of this browser: what a person is changing here keeps the version they saw.
  const isChanging = (typed) => typed === document.activeElement || linelog.isTyped(typed);
  const showAnswer = (write) => {
    const form = formOf(write), typed = form && typedIn(form);
    if (typed && write.isOfOtherTab) {
      if (isChanging(typed)) return;
      delete typed.dataset.touched;
      putBack(write);
    }
    if (!write.html || !document.getElementById(write.target)) return;
    if (write.target !== "result") old.clear();
    linelog.swapKeeping(write.target, write.html, write);
    if (write.target === "screen") { linelog.chooseSetup(null); overlay(); }
    if (typed && write.kind === "reading") typed.setAttribute("aria-invalid", write.status < 300 ? "false" : "true");
  };

  const markForms = (waiting) => {
    for (const form of fields()) {
      const one = waiting.some((write) => write.field === linelog.fieldOf(form));
      const at = form.querySelector(".slot") || form;
      const there = at.querySelector(".unsent");
      if (one && !there) at.append(mark("not sent yet"));
      if (!one && there) there.remove();
    }
  };
  const listOthers = (lines) => {
    for (const list of document.querySelectorAll(".unsent-list")) list.remove();
    for (const write of lines) {
      const section = document.getElementById(SECTIONS[write.kind]);
      const head = section && section.querySelector("h2");
      if (!head) continue;
      let list = section.querySelector(".unsent-list");
      if (!list) {
        list = Object.assign(document.createElement("ul"), { className: "unsent-list" });
        head.after(list);
      }
      const item = document.createElement("li");
      const said = [write.label, write.words].filter(Boolean).join(": ");
      item.append(`${said} `, write.state === "sent" ? mark("saved", "✓") : mark("not sent yet"));
      list.append(item);
    }
  };

  // Kept on the tablet now. The fields have gone on meanwhile: only what still stands there as it was taken is cleared.
  const isAsTaken = (form) => !form.dataset.changed;
  document.addEventListener("linelog:kept", (event) => {
    const { kind } = event.detail, form = event.target;
    if (kind === "move" && isAsTaken(form)) { form.reset(); delete form.dataset.taken; }
    if (kind === "sweep" && isAsTaken(form)) form.closest("details")?.removeAttribute("open");
    if (kind === "note") typedIn(form).dataset.sent = bodyOf(event.detail).get("note");
    if ((kind === "running" || WHOLE.includes(kind)) && isAsTaken(form)) linelog.noteTaken(form);
    if (kind === "lockout" || kind === "sweep") apply(event.detail);
  });
  document.addEventListener("input", ({ target }) => {
    target.dataset.touched = target.dataset.since = "1";
    if (target.form) target.form.dataset.changed = "1";
  }, true);
  document.addEventListener("linelog:changed", (event) => {
    writes = event.detail.writes.filter((write) => write.person === document.body.dataset.person);
    if (first) overlay();
    const shown = writes.filter(isHere), waiting = shown.filter((write) => write.state === "waiting");
    const isCut = first || event.detail.trouble !== "";
    markForms(waiting);
    listOthers(shown.filter((write) => !(write.kind === "reading" || write.kind === "note"))
      .filter((write) => (write.state === "waiting" && isCut) || old.has(write.number)));
    linelog.provisional(isCut && waiting.some((write) => write.kind === "reading" || write.kind === "sweep"));
    first = false;
    if (isUnlocked && !waiting.length) { isUnlocked = false; linelog.refresh(); } // the lockout is on the server, and all typed since
  });

  let pressed = 0;
  const isBusy = (write) => {
    const at = document.activeElement, place = document.getElementById(write.target);
    const isInside = write.target !== "screen" && place?.contains(at) && at.matches("input, select, textarea") && at.form?.dataset.changed;
    return isInside || Date.now() - pressed < 1_000;
  };
  // Those for one part of the page in their order, whatever waits for another.
  const showLate = () => {
    const held = new Set();
    for (const write of late.splice(0)) {
      if (held.has(write.target) || isBusy(write)) { held.add(write.target); late.push(write); } else showAnswer(write);
    }
  };

  // Withdrawn or corrected on the list of what waits: the page shows what holds now.
  const showsAnew = ["sweep", "lockout"];
  const isLast = (write) => !writes.some((one) => one.field === write.field && one.state === "waiting" && one.number > write.number);
  // A form that is sent as a whole, as it is before anything was typed, then as `now` has it.
  const fillAnew = (write, now) => {
    const form = wholeOf(write);
    if (!form) return;
    form.reset();
    for (const control of form.elements) for (const name of ["touched", "sent", "since"]) delete control.dataset[name];
    if (now) putBack(now);
  };
  document.addEventListener("linelog:corrected", ({ detail: write }) => {
    if (!isHere(write)) return;
    if (showsAnew.includes(write.kind)) { apply(write); return; }
    if (WHOLE.includes(write.kind) && isLast(write)) { fillAnew(write, write); return; }
    const form = formOf(write);
    if (!form || !isLast(write)) return;
    delete typedIn(form).dataset.touched;
    putBack(write);
  });
  document.addEventListener("linelog:withdrawn", ({ detail: write }) => {
    if (!isHere(write)) return;
    if (showsAnew.includes(write.kind)) { location.reload(); return; }
    const before = writes.filter((one) => write.field && one.field === write.field && one.number !== write.number).pop();
    if (WHOLE.includes(write.kind) && isLast(write)) { fillAnew(write, before); return; }
    const form = formOf(write);
    if (!form || !isLast(write)) return;
    const typed = typedIn(form);
    delete typed.dataset.touched;
    typed.value = typed.dataset.sent = typed.defaultValue;
    if (before) putBack(before);
  });

  // Neither of what was offered: what waits for an answer is let go, and the page shows what is stored.
  document.addEventListener("click", async (event) => {
    const link = event.target.closest("a[data-let-go]");
    if (!link || !linelog.queue.usable) return;
    event.preventDefault();
    const isIt = (write) => write.state === "held" && isHere(write) && saidOf(write)?.contains(link);
    for (const write of writes.filter(isIt)) await linelog.queue.drop(write);
    location.assign(link.href);
  });

  document.addEventListener("linelog:answered", (event) => {
    const write = event.detail;
    if (!isHere(write)) return;
    if (write.kind === "lockout") { isUnlocked = write.status < 300; return; }
    const form = !write.isOfOtherTab && formOf(write);
    if (form && write.status < 300) raiseVersion(form, write); // what is typed on goes on from there
    late.push(write);
    showLate();
    if (late.length) setTimeout(showLate, 1_000);
  });
  // A part that is replaced under a finger would swallow its press.
  document.addEventListener("pointerdown", () => { pressed = Date.now(); }, true);
  for (const name of ["pointerup", "pointercancel", "focusout"]) {
    document.addEventListener(name, () => { if (name !== "focusout") pressed = 0; setTimeout(showLate, 0); }, true);
  }
  document.addEventListener("linelog:refreshed", () => { old.clear(); linelog.chooseSetup(null); overlay(); linelog.queue.changed(); });
  // Without a store of the tablet's own the server's answer comes by htmx itself: the same care for what is typed.
  document.addEventListener("htmx:beforeSwap", (event) => {
    const { elt, requestConfig, xhr, target, shouldSwap } = event.detail;
    const form = elt.closest && elt.closest("form[data-queued]");
    if (!form || !shouldSwap || !target.id || !requestConfig) return;
    event.detail.shouldSwap = false;
    const body = new URLSearchParams(requestConfig.formData).toString();
    linelog.swapKeeping(target.id, xhr.response, { field: linelog.fieldOf(form), body });
    if (target.id === "screen") { linelog.chooseSetup(null); overlay(); }
  });
})();
