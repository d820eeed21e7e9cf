"use strict";
// What the tablet can say of a sweep before the server has it: where the component lies, and whether the readings
// close. No verdict and no move: those rest on the uncertainty, which the server works out.
(() => {
  const clock = () => document.getElementById("clock");
  const make = (tag, text, className = "") => Object.assign(document.createElement(tag), { textContent: text, className });
  const angleOf = (form) => Number(form.elements.angle_deg.value);
  const NOTHING_UM = 1e-6; // rounding of binary fractions
  let chosen = null; // a set-up that is not on the server yet

  linelog.setup = () => {
    const given = JSON.parse(clock().dataset.onTablet || "null");
    return given && chosen ? linelog.setupWith(given, chosen) : given;
  };
  linelog.chooseSetup = (form) => { chosen = form; };

  const readings = (isReturn = false) => {
    const all = [...clock().querySelectorAll("form[data-reading]")];
    return all.filter((form) => Boolean(form.elements.is_return) === isReturn).map((form) => {
      const { um } = linelog.units[form.elements.unit.value];
      return { angle: angleOf(form), um: linelog.parseNumber(form.elements.value.value) * um };
    });
  };

  const show = (um, unit, isSigned = true) => {
    const { um: per, decimals, label } = linelog.units[unit];
    const text = Math.abs(um / per).toFixed(decimals);
    const sign = um < 0 && Number(text) !== 0 ? "−" : "+";
    return `${isSigned ? sign : ""}${text} ${label}`;
  };

  const table = (rows) => {
    const made = make("table", "", "numbers");
    const body = document.createElement("tbody");
    for (const [name, value] of rows) {
      const row = document.createElement("tr");
      row.append(make("th", name), make("td", value, "n"));
      body.append(row);
    }
    made.append(body);
    return made;
  };

  const workOut = () => {
    const setup = linelog.setup();
    if (!setup) return [make("p", "It is worked out when the network is back.")];
    const all = readings();
    const at = (angle) => (all.find((one) => one.angle === angle) || { um: NaN }).um;
    const main = [0, 90, 180, 270].map((angle) => ({ angle, um: at(angle) }));
    const isWhole = all.every(({ um }) => !Number.isNaN(um));
    const used = isWhole ? all : main;
    const { x, y } = linelog.offset(used, setup);
    if (Number.isNaN(x + y)) return [make("p", "12, 3, 6 and 9 are not all read yet.")];
    const { unit: reader, view } = setup, radial = Math.hypot(x, y), closure = linelog.closure(at, setup);
    const seen = view === "domer" ? -x : x; // told as the person at the machine sees it
    const rows = [[`Across (+ right, seen from the ${view})`, show(seen, reader)], ["Up (+ up)", show(y, reader)], ["Radial", show(radial, reader, false)]];
    if (setup.target) rows.push(["Off its static target, radial", show(Math.hypot(x - setup.target[0], y - setup.target[1]), reader, false)]);
    if (setup.limit) rows.push(["Limit, radial", show(setup.limit, reader, false)]);
    if (!Number.isNaN(closure)) rows.push(["Closure", show(closure, reader)]);
    const from = isWhole ? `all ${all.length} positions` : "12, 3, 6 and 9";
    const parts = [table(rows), make("p", `From ${from} of this repeat alone. Verdict, uncertainty and move come when the server has it.`, "quiet")];
    if (setup.target) parts.push(make("p", "With the ram hanging it runs true at its static target, not at nought: the limit is for how far it is off that.", "quiet"));
    const again = (why, limit) => parts.splice(1, 0, make("p", `Read it again, no verdict: ${why}, the limit is ${show(limit, reader, false)}.`, "wrong"));
    const [back] = readings(true), first = back ? at(back.angle) : NaN;
    if (Math.abs(closure) > setup.closureLimit + NOTHING_UM) again("the readings do not close", setup.closureLimit);
    if (back && Math.abs(back.um - first) > setup.returnLimit + NOTHING_UM) again("the first position reads differently at the end", setup.returnLimit);
    return parts;
  };

  linelog.provisional = (isOn) => {
    document.getElementById("content").classList.toggle("unconfirmed", isOn);
    const result = document.getElementById("result");
    if (!result) return; // a bushing is not swept
    result.querySelector(".on-tablet")?.remove();
    if (!isOn) return;
    const box = make("div", "", "on-tablet note caution");
    box.append(make("h2", "On this tablet, to be confirmed"), ...workOut());
    result.prepend(box);
  };

  // The clock of a set-up that is not on the server yet: its positions, the end it is read from.
  const hour = (angle) => { const halves = Math.round(angle / 15) % 24; return `${Math.floor(halves / 2) || 12}${halves % 2 ? ":30" : ""}`; };
  const formAt = (pattern, angle) => {
    const form = pattern.cloneNode(true);
    const old = pattern.dataset.field, slot = old.replace(/-\d+-0$/, `-${Math.round(angle)}-0`);
    form.className = `pos at${Math.round(angle)}`;
    form.dataset.field = slot;
    form.dataset.label = pattern.dataset.label.replace(/[^,]*$/, ` ${hour(angle)} o'clock`);
    form.elements.angle_deg.value = String(angle);
    const input = form.elements.value, label = form.querySelector("label"), mark = form.querySelector(".slot");
    for (const name of ["fresh", "sent", "touched"]) delete input.dataset[name];
    input.value = input.defaultValue = "";
    input.removeAttribute("aria-invalid");
    input.id = label.htmlFor = `in-${slot}`;
    label.replaceChildren(`${hour(angle)} o'clock`, label.querySelector(".vh"));
    mark.id = slot;
    mark.replaceChildren(Object.assign(document.createElement("input"), { type: "hidden", name: "version", value: "0" }));
    return form;
  };
  linelog.drawClock = (positions, view) => {
    const face = clock(), all = [...face.querySelectorAll("form[data-reading]")];
    const forms = all.filter((form) => !form.elements.is_return);
    const wanted = Array.from({ length: positions }, (_, number) => (360 * number) / positions);
    for (const form of forms) if (!wanted.includes(angleOf(form)) && !form.elements.value.value) form.remove();
    let last = forms[0];
    for (const angle of wanted) {
      const there = forms.find((form) => angleOf(form) === angle);
      const form = there || formAt(forms[0], angle);
      if (!there) { last.after(form); htmx.process(form); }
      last = form;
    }
    face.className = `clock n${positions}`;
    document.querySelector(".clock-view").textContent = `seen from the ${view}`;
  };
})();
