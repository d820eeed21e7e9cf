"use strict";
// What is typed on the entry screen and not on the server yet: put back into the page, marked, worked out, and
// replaced by the server's answer when it comes.
(() => {
  const OF_PLACE = ["reading", "sweep", "accept"];
  const SECTIONS = { move: "moves", untouched: "moves", "move-back": "moves", running: "running", clearance: "clearance", position: "position", fitted: "fitted", sweep: "set-up", accept: "result", lockout: "lockout" };
  const busy = []; // answers that wait until a form is left
  const old = new Set(); // what the server has and this page, kept from before, does not show
  let writes = [], first = true, isUnlocked = false;

  const fields = () => [...document.querySelectorAll("form[data-queued=reading], form[data-queued=note]")];
  const formOf = (write) => write.field && fields().find((form) => linelog.fieldOf(form) === write.field);
  const typedIn = (form) => form.elements.value || form.elements.note;
  const bodyOf = (write) => new URLSearchParams(write.body);
  const here = () => linelog.placeOf((document.querySelector("#clock form") || { action: location.href }).action);
  const isHere = (write) => {
    if (OF_PLACE.includes(write.kind)) return linelog.placeOf(write.url) === here();
    if (write.kind === "lockout") return write.url.startsWith(location.pathname.match(/^\/visits\/\d+\//)[0]);
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

  const unlock = () => {
    const section = document.getElementById("lockout"), pad = document.querySelector("#clock .pad");
    if (!section || !pad) return;
    for (const form of section.querySelectorAll("form")) form.hidden = true;
    pad.hidden = false;
    for (const input of document.querySelectorAll("#clock input[readonly]")) input.readOnly = false;
  };
  const setUp = (write) => {
    const chosen = bodyOf(write);
    linelog.chooseSetup(chosen);
    linelog.drawClock(Number(chosen.get("positions")), chosen.get("unit"), chosen.get("view"));
  };
  const putBack = (write) => {
    const form = formOf(write);
    if (!form) return;
    const typed = typedIn(form);
    typed.value = bodyOf(write).get(typed.name);
    typed.dataset.sent = typed.value;
    if (write.state === "sent" && write.version) form.elements.version.value = write.version;
  };
  const apply = (write) => {
    if (write.kind === "lockout" && write.state !== "held") unlock();
    else if (write.kind === "sweep" && write.state !== "held") setUp(write);
    else putBack(write);
  };
  const overlay = () => {
    for (const write of writes.filter((one) => isHere(one) && isNews(one))) {
      if (write.state === "sent" && !formOf(write)) old.add(write.number);
      apply(write);
    }
  };

  // In another tab of this browser: what a person is changing here keeps the version they saw.
  const isChanging = (typed) => typed === document.activeElement || typed.value !== (typed.dataset.sent ?? typed.defaultValue);
  const showAnswer = (write) => {
    const form = formOf(write), typed = form && typedIn(form);
    if (typed && write.isOfOtherTab) {
      if (isChanging(typed)) return;
      putBack(write);
    }
    const isStale = typed && typed.name === "note" && typed.value !== bodyOf(write).get("note");
    if (isStale && write.version) form.elements.version.value = write.version; // more was written meanwhile
    if (!write.html || isStale || !document.getElementById(write.target)) return;
    if (write.target !== "result") old.clear();
    htmx.swap(`#${write.target}`, write.html, { swapStyle: "outerHTML" });
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

  document.addEventListener("linelog:kept", (event) => {
    const { kind } = event.detail;
    if (kind === "move") event.target.reset();
    if (kind === "sweep") event.target.closest("details").open = false;
    apply(event.detail);
  });
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
    if (isUnlocked && !waiting.length) location.reload(); // the lockout is on the server, and all typed since
  });

  const isTyping = (write) => write.target === "moves" && document.activeElement?.matches("#moves input, #moves select");
  document.addEventListener("linelog:answered", (event) => {
    const write = event.detail;
    if (!isHere(write)) return;
    if (write.kind === "lockout") isUnlocked = write.status < 300;
    else if (isTyping(write)) busy.push(write);
    else showAnswer(write);
  });
  document.addEventListener("focusout", () => setTimeout(() => {
    while (busy.length && !isTyping(busy[0])) showAnswer(busy.shift());
  }, 0));
})();
