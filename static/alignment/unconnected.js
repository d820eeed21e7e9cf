"use strict";
// A visit opened without a network: the machine is chosen from what the tablet knows, the visit gets a temporary
// number, and its places are swept on this page until the server has it.
(() => {
  const at = new URLSearchParams(location.search), temporary = at.get("visit");
  const machines = JSON.parse(document.getElementById("machines").textContent);
  const numbers = JSON.parse(document.getElementById("numbers").textContent);
  const start = document.getElementById("start"), screen = document.getElementById("screen");
  const MOST_REPEATS = 9;
  const CALM = 1_500; // so long nobody has touched the page before it goes on
  const make = (tag, text, more = {}) => Object.assign(document.createElement(tag), { textContent: text, ...more });
  const stationOf = (visit, station) => `/visits/${visit}/stations/${station}/`;
  const here = (visit, machine, station, place, stage, repeat = 1) =>
    `/visits/new/?${new URLSearchParams({ visit, machine: machine.id, station: station.id, stage, seat: place ? place.seat : "", kind: place ? place.kind : "rim", repeat })}`;
  const first = (station) => station.places.filter((one) => one.kind === "rim").pop(); // as a station opens: its front seat

  const showProcedure = (machine) => {
    const pattern = document.querySelector(`[data-procedure="${machine.procedure}"]`);
    for (const box of document.querySelectorAll("[data-procedure-here]")) box.replaceChildren(pattern.content.cloneNode(true));
    for (const field of document.querySelectorAll("[name=lockout_procedure]")) if (!field.value) field.value = field.defaultValue = numbers[machine.procedure];
  };

  const choose = () => {
    const which = document.getElementById("which"), form = document.getElementById("open-form"), already = document.getElementById("already");
    let group = null;
    for (const machine of machines) {
      if (!group || group.label !== machine.line) { group = document.createElement("optgroup"); group.label = machine.line; which.append(group); }
      group.append(make("option", machine.name, { value: machine.id }));
    }
    const chosen = () => machines.find((one) => String(one.id) === which.value);
    const show = () => {
      const machine = chosen();
      form.hidden = !machine;
      already.hidden = !machine || !machine.open;
      if (!machine) return;
      form.action = `/visits/open/${machine.id}/`;
      form.dataset.label = `${machine.name}: visit opened`;
      screen.dataset.machine = machine.id;
      if (machine.open) already.querySelector("a").href = `/visits/${machine.open}/`;
      showProcedure(machine);
    };
    which.value = at.get("machine") || "";
    which.addEventListener("change", show);
    show();
    form.addEventListener("linelog:kept", ({ detail }) => {
      location.assign(`/visits/new/?visit=${detail.visit}&machine=${chosen().id}`);
    });
  };

  const link = (url, text, isHere) => {
    const made = make("a", text, { href: url });
    if (isHere) made.setAttribute("aria-current", "true");
    return made;
  };
  const say = (name, text) => { for (const one of document.querySelectorAll(`[data-said="${name}"]`)) one.textContent = text; };
  const tabs = (name, links) => document.querySelector(`[data-tabs="${name}"]`).replaceChildren(...links);
  const STAGES = [["as_found", "As found"], ["as_left", "As left"]];

  // As if the server had filled it in: what a person changes is then told from it.
  const fill = (control, value) => {
    if (["checkbox", "radio"].includes(control.type)) control.checked = control.defaultChecked = value === control.value;
    else if (control.tagName === "SELECT" && value) for (const option of control.options) option.selected = option.defaultSelected = option.value === value;
    else if (control.tagName === "INPUT" && value !== undefined) control.value = control.defaultValue = value;
  };
  const setUp = (station, place, label) => {
    say("set-up", `${place.origin ? `◇ ${place.origin} ` : ""}${place.words}`);
    document.getElementById("set-up").classList.toggle("taken-over", Boolean(place.origin));
    const confirm = document.getElementById("confirm"), asksFace = place.kind === "face" && !place.form.facing;
    for (const [name, value] of Object.entries(place.form)) confirm.append(make("input", "", { type: "hidden", name, value }));
    confirm.dataset.label = `${label}: set-up confirmed`;
    confirm.hidden = !place.origin || asksFace;
    for (const box of document.querySelectorAll("#set-up details")) {
      if (box.dataset.kind !== place.kind) { box.remove(); continue; }
      const form = box.querySelector("form");
      form.dataset.label = `${label}: set-up`;
      for (const control of form.elements) fill(control, place.form[control.name]);
      box.open = asksFace;
    }
  };
  // The moves that can be logged, by the entry screen's own form of each kind; what they say is put in for the view.
  const told = []; // text that speaks of a direction
  const drawMovers = (station) => {
    const last = document.querySelector("#moves details form");
    for (const one of station.adjusters) {
      const made = document.querySelector(`template[data-mover="${one.mover}"]`).content.cloneNode(true), form = made.querySelector("form");
      form.elements.adjuster.value = one.id;
      form.dataset.label = form.dataset.label.replace("{adjuster}", one.name);
      for (const control of form.querySelectorAll("[id]")) control.id = control.id.replace("-0", `-${one.id}`);
      for (const label of form.querySelectorAll("label")) label.htmlFor = label.htmlFor.replace("-0", `-${one.id}`);
      for (const node of form.querySelectorAll("strong, option")) told.push({ node, pattern: node.textContent, views: one.views });
      last.before(made);
    }
  };
  const showView = (view) => {
    for (const { node, pattern, views } of told) node.textContent = pattern.replace(/\{(\w+)\}/g, (_, name) => views[view][name]);
    const box = document.querySelector("[data-running-here]"), there = box.querySelector("form");
    if (there && [...there.elements].some((one) => linelog.isTyped(one))) return; // typed as seen from where its label says
    box.replaceChildren(document.querySelector(`template[data-running="${view}"]`).content.cloneNode(true));
  };
  // Puts the addresses of this place into every form; again with the real number once the visit has one.
  const address = (visit, station, query) => {
    const of = { lockout: `/visits/${visit}/lockout/`, photos: `/visits/${visit}/photos/` };
    for (const form of screen.querySelectorAll("form[data-queued]")) {
      const name = form.dataset.sends || (form.dataset.sends = form.getAttribute("action"));
      form.setAttribute("action", of[name] || `${stationOf(visit, station.id)}${name}/?${query}`);
      if (form.hasAttribute("hx-post")) form.setAttribute("hx-post", form.getAttribute("action"));
    }
    screen.querySelector("[data-sign]").setAttribute("href", `/visits/${visit}/sign/`);
  };

  const labelAll = (machine, station, stage, label) => {
    for (const form of screen.querySelectorAll("form[data-label]:not([data-labelled])")) {
      form.dataset.labelled = "1";
      form.dataset.label = form.dataset.label.replace("{station}", station.name).replace("{stage}", stage);
      if (form.dataset.queued === "reading") form.dataset.label = `${label}, ${form.dataset.label}`;
      if (["photo", "lockout"].includes(form.dataset.queued)) form.dataset.label = `${machine.name}: ${form.dataset.label.toLowerCase()}`;
    }
  };
  // The fields of the clock as they are at another repeat than the first.
  const takeRepeat = (repeat) => {
    for (const form of screen.querySelectorAll("form[data-reading]")) {
      const { value } = form.elements, slot = form.dataset.field.replace("slot-1-", `slot-${repeat}-`);
      form.querySelector(".slot").id = form.dataset.field = slot;
      value.id = form.querySelector("label").htmlFor = `in-${slot}`;
      form.elements.repeat.value = repeat;
    }
  };
  const showBushing = (station, stage) => {
    for (const one of document.querySelectorAll("[data-swept]")) one.hidden = station.bushing;
    document.getElementById("bushing").hidden = !station.bushing;
    if (!station.bushing) return;
    document.getElementById("beside").prepend(document.getElementById("moves"));
    say("wear", station.wear);
    fill(document.querySelector("#position [name=view]"), station.view);
    for (const field of document.querySelectorAll("#bushing [name=stage]")) field.value = stage;
  };

  const opened = () => JSON.parse(localStorage.getItem("linelog-opened") || "{}")[temporary];
  // Whether static readings are taken: what was said last of the lockout counts, and running the machine ends one.
  const lockOrNot = (open, writes) => {
    const said = new URLSearchParams(open.body), state = said.get("machine_state");
    document.getElementById("runs").hidden = state !== "running";
    let stands = Boolean(said.get("lockout_verified_by")), isSaidHere = false;
    for (const { kind, body } of writes) {
      if (kind === "lockout") stands = isSaidHere = true;
      else if (kind === "running" && new URLSearchParams(body).get("stage") === "as_left") stands = false;
    }
    linelog.setLocked(state === "running" || !(stands || state === "paper"));
    document.getElementById("lasts").hidden = state !== "stopped" || !stands;
    document.getElementById("lockout").hidden = state !== "stopped" || (stands && !isSaidHere);
    for (const says of document.querySelectorAll("[data-locked]")) says.hidden = says.hidden || state === "running";
  };

  const work = () => {
    const machine = machines.find((one) => String(one.id) === at.get("machine"));
    const station = machine && (machine.stations.find((one) => String(one.id) === at.get("station")) || machine.stations.find((one) => !one.bushing));
    if (!station) { location.replace("/visits/new/"); return; }
    const stage = at.get("stage") === "as_left" ? "as_left" : "as_found";
    const place = station.places.find((one) => one.seat === at.get("seat") && one.kind === at.get("kind")) || first(station);
    const repeat = Math.min(Math.max(Number.parseInt(at.get("repeat"), 10) || 1, 1), MOST_REPEATS);
    const queryAt = (of) => new URLSearchParams({ stage: of, ...(place && place.seat ? { seat: place.seat } : {}), kind: place ? place.kind : "rim" });
    const query = queryAt(stage);
    query.set("repeat", repeat);
    const swept = place && station.places.length > 1 ? `, ${place.label.toLowerCase()}` : "";
    const label = `${station.name}, ${STAGES.find(([one]) => one === stage)[1].toLowerCase()}${swept}${repeat > 1 ? `, repeat ${repeat}` : ""}`;
    start.hidden = true;
    screen.hidden = false;
    screen.dataset.machine = machine.id;
    document.title = `${machine.name}, ${station.name}`;
    say("machine", machine.name);
    say("station", station.name);
    showProcedure(machine);
    tabs("stations", machine.stations.map((one) => link(here(temporary, machine, one, first(one), stage), one.name, one === station)));
    for (const one of document.querySelectorAll('[data-tabs="stations"] a')) one.className = one.hasAttribute("aria-current") ? "button main" : "button";
    const stageWords = STAGES.find(([one]) => one === stage)[1].toLowerCase();
    say("stage", stageWords);
    tabs("stages", STAGES.map(([one, words]) => link(here(temporary, machine, station, place, one), words, one === stage)));
    drawMovers(station);
    showBushing(station, stage);
    let view = place ? place.view : station.view;
    const see = (from) => { view = from; showView(view); labelAll(machine, station, stageWords, label); };
    if (place) {
      tabs("places", station.places.length > 1 ? station.places.map((one) => link(here(temporary, machine, station, one, stage), one.label, one === place)) : []);
      setUp(station, place, label);
      say("plunger", place.plunger);
      takeRepeat(repeat);
      document.getElementById("clock").dataset.onTablet = JSON.stringify(place.tablet);
    }
    see(view);
    address(temporary, station, query);
    if (place) linelog.drawClock(place.positions, place.view);
    const said = [...screen.querySelectorAll("form[data-reading]")].map((form) => make("div", "", { id: `said-${form.dataset.field}`, className: "said-at" }));
    document.getElementById("clock-said").append(...said);

    // Once the visit is on the server the page goes on there, as soon as all is sent and nobody is typing.
    let isOpened = false, touched = 0, going = 0;
    const number = () => opened() || temporary;
    screen.querySelector("[data-sign]").dataset.sign = `${machine.name}: signing`;
    const isTyping = () => [...document.getElementById("screen").querySelectorAll("form[data-queued] input, form[data-queued] textarea")].some((one) => linelog.isTyped(one));
    for (const name of ["pointerdown", "keydown"]) document.addEventListener(name, () => { touched = Date.now(); }, true);
    const goOn = async () => {
      clearTimeout(going);
      const { person } = document.body.dataset, writes = await linelog.store.all();
      if (linelog.adding() || isTyping() || writes.some((write) => write.state === "waiting" && write.person === person)) return;
      const rest = touched + CALM - Date.now();
      if (rest > 0) going = setTimeout(goOn, rest);
      else location.replace(`${stationOf(opened(), station.id)}?${query}`);
    };
    // Which repeats there are, and where this place is swept as left: anew where moves were logged since it was.
    const toAsLeft = document.getElementById("to-as-left");
    const offerRepeats = (writes) => {
      const typed = (of) => writes.filter((write) => write.kind === "reading" && linelog.placeOf(write.url) === linelog.placeOf(`${stationOf(number(), station.id)}?${queryAt(of)}`));
      const highest = (readings) => Math.max(0, ...readings.map(({ body }) => Number(new URLSearchParams(body).get("repeat"))));
      const last = Math.min(Math.max(repeat, highest(typed(stage)) + 1), MOST_REPEATS), left = typed("as_left");
      const moved = writes.filter(({ kind, url }) => kind === "move" && url.startsWith(stationOf(number(), station.id))).pop();
      const isOlder = Boolean(moved && left.length) && moved.number > left[left.length - 1].number;
      toAsLeft.hidden = stage === "as_left" && !isOlder;
      toAsLeft.textContent = isOlder ? "Sweep it anew as left" : "Sweep as left";
      toAsLeft.href = here(temporary, machine, station, place, "as_left", isOlder ? Math.min(highest(left) + 1, MOST_REPEATS) : 1);
      tabs("repeats", Array.from({ length: last }, (_, before) => link(here(temporary, machine, station, place, stage, before + 1), String(before + 1), before + 1 === repeat)));
    };
    // The end that the clock is read from, by the set-up chosen last.
    const follow = (writes) => {
      const chosen = writes.filter((write) => write.kind === "sweep" && linelog.placeOf(write.url) === linelog.placeOf(document.getElementById("confirm").action)).pop();
      const from = chosen ? new URLSearchParams(chosen.body).get("view") : view;
      if (from === view) return;
      see(from);
      address(number(), station, query);
      htmx.process(document.getElementById("running"));
    };
    document.addEventListener("linelog:changed", ({ detail: { writes } }) => {
      const open = writes.find((write) => write.kind === "open" && write.visit === temporary);
      const stand = writes.filter((write) => write.state !== "held" && linelog.visitOf(write.url) === `/visits/${number()}/`);
      if (open && screen.isConnected) lockOrNot(open, stand);
      if (place && screen.isConnected) { follow(stand); offerRepeats(stand); } // not where an answer of the server has taken its place
      if (!opened()) return;
      if (!isOpened) { isOpened = true; address(opened(), station, query); }
      goOn();
    });
    linelog.refresh = async () => { if (opened()) goOn(); else location.reload(); };
  };

  if (temporary) work();
  else choose();
})();
