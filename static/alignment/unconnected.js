"use strict";
// A visit opened without a network: the machine is chosen from what the tablet knows, the visit gets a temporary
// number, and its places are swept on this page until the server has it.
(() => {
  const at = new URLSearchParams(location.search), temporary = at.get("visit");
  const machines = JSON.parse(document.getElementById("machines").textContent);
  const numbers = JSON.parse(document.getElementById("numbers").textContent);
  const start = document.getElementById("start"), screen = document.getElementById("screen");
  const make = (tag, text, more = {}) => Object.assign(document.createElement(tag), { textContent: text, ...more });
  const stationOf = (visit, station) => `/visits/${visit}/stations/${station}/`;
  const here = (visit, machine, station, place, stage) =>
    `/visits/new/?${new URLSearchParams({ visit, machine: machine.id, station: station.id, stage, seat: place ? place.seat : "", kind: place ? place.kind : "rim" })}`;
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
  const say = (name, text) => { document.querySelector(`[data-said="${name}"]`).textContent = text; };
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
  const drawMoves = (station, view) => {
    const pattern = document.getElementById("mover");
    for (const one of station.adjusters) {
      const made = pattern.content.cloneNode(true), form = made.querySelector("form"), words = one.views[view];
      form.elements.adjuster.value = one.id;
      form.dataset.label = one.name;
      form.querySelector("strong").textContent = words.placed;
      if (one.kind !== "screw") form.querySelector(".turned").remove();
      const ways = { shim: [["-", "take out"], ["+", "put in"]], slide: [["+", `toward ${words.toward}`], ["-", `toward ${words.away}`]], screw: one.in ? [["+", "in"], ["-", "out"]] : [["-", "in"], ["+", "out"]] }[one.kind];
      form.elements.way.append(...ways.map(([value, text]) => make("option", text, { value })));
      pattern.before(made);
    }
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

  const opened = () => JSON.parse(localStorage.getItem("linelog-opened") || "{}")[temporary];
  const unlocked = (write) => {
    const body = new URLSearchParams(write.body), runs = body.get("machine_state") === "running";
    document.getElementById("runs").hidden = !runs;
    if (runs) document.getElementById("lockout").hidden = true;
    if (runs || !(body.get("lockout_verified_by") || body.get("machine_state") === "paper")) return;
    document.getElementById("lockout").hidden = true;
    document.querySelector("#clock .pad").hidden = false;
    document.querySelector("#clock .locked").hidden = true;
    for (const input of document.querySelectorAll("#clock input[readonly]")) input.readOnly = false;
  };

  const work = () => {
    const machine = machines.find((one) => String(one.id) === at.get("machine"));
    const station = machine && (machine.stations.find((one) => String(one.id) === at.get("station")) || machine.stations.find((one) => !one.bushing));
    if (!station) { location.replace("/visits/new/"); return; }
    const stage = at.get("stage") === "as_left" ? "as_left" : "as_found";
    const place = station.places.find((one) => one.seat === at.get("seat") && one.kind === at.get("kind")) || first(station);
    const query = new URLSearchParams({ stage, ...(place && place.seat ? { seat: place.seat } : {}), kind: place ? place.kind : "rim" });
    const swept = place && station.places.length > 1 ? `, ${place.label.toLowerCase()}` : "";
    const label = `${station.name}, ${STAGES.find(([one]) => one === stage)[1].toLowerCase()}${swept}`;
    start.hidden = true;
    screen.hidden = false;
    screen.dataset.machine = machine.id;
    document.title = `${machine.name}, ${station.name}`;
    say("machine", machine.name);
    say("station", station.name);
    showProcedure(machine);
    tabs("stations", machine.stations.map((one) => link(here(temporary, machine, one, first(one), stage), one.name, one === station)));
    for (const one of document.querySelectorAll('[data-tabs="stations"] a')) one.className = one.hasAttribute("aria-current") ? "button main" : "button";
    document.getElementById("work").hidden = station.bushing;
    document.getElementById("bushing").hidden = !station.bushing;
    for (const form of screen.querySelectorAll("form[data-reading]")) form.dataset.label = `${label}, ${form.dataset.label}`;
    for (const form of screen.querySelectorAll("#moves form, #note form")) form.dataset.label = `${station.name}: ${form.dataset.label || "note"}`;
    for (const form of screen.querySelectorAll("#photos form, #lockout form")) form.dataset.label = `${machine.name}: ${form.dataset.label.toLowerCase()}`;
    if (place) {
      tabs("stages", STAGES.map(([one, words]) => link(here(temporary, machine, station, place, one), words, one === stage)));
      tabs("places", station.places.length > 1 ? station.places.map((one) => link(here(temporary, machine, station, one, stage), one.label, one === place)) : []);
      setUp(station, place, label);
      drawMoves(station, place.view);
      say("plunger", place.plunger);
      document.getElementById("clock").dataset.onTablet = JSON.stringify(place.tablet);
    }
    for (const form of screen.querySelectorAll("#moves .mover")) if (!form.dataset.label.startsWith(station.name)) form.dataset.label = `${station.name}: ${form.dataset.label}`;
    address(temporary, station, query);
    if (place) linelog.drawClock(place.positions, place.view);
    const said = [...screen.querySelectorAll("form[data-reading]")].map((form) => make("div", "", { id: `said-${form.dataset.field}`, className: "said-at" }));
    document.getElementById("clock-said").append(...said);

    // Once the visit is on the server the page goes on there, as soon as all is sent and nobody is typing.
    let isOpened = false;
    screen.querySelector("[data-sign]").dataset.sign = `${machine.name}: signing`;
    const real = () => `${stationOf(opened(), station.id)}?${query}`;
    const isTyping = () => [...screen.querySelectorAll("form[data-queued] input, form[data-queued] textarea")].some((one) => linelog.isTyped(one));
    document.addEventListener("linelog:changed", ({ detail: { writes } }) => {
      const open = writes.find((write) => write.kind === "open" && write.visit === temporary);
      if (open) unlocked(open);
      if (!opened()) return;
      if (!isOpened) { isOpened = true; address(opened(), station, query); }
      const waits = writes.some((write) => write.state === "waiting" && write.person === document.body.dataset.person);
      if (!waits && !isTyping()) location.replace(real());
    });
    linelog.refresh = async () => { if (!opened()) location.reload(); else if (!isTyping()) location.replace(real()); };
  };

  if (temporary) work();
  else choose();
})();
