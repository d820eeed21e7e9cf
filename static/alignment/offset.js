"use strict";
// The one sum the tablet does by itself, so that work goes on without the server, which works it out again: the
// offset from a rim sweep at equal steps round the clock, where least squares has a closed form (with 12, 3, 6 and 9
// it is half of each difference). Lengths in um; x to the right and y up, seen from the crank.
//   readings  [{ angle, um }], clock angles as read, in degrees from 12
//   gain      sign of the offset in the readings: -1 for a bore, and for a dial carried on the component
//   view      "domer" where the clock was read from there; reversed: a dial that counts down when pressed in
//   sag       what sag alone reads at 6, zeroed at 12
linelog.offset = (readings, { gain, view, reversed, sag }) => {
  const mirror = view === "domer" ? -1 : 1, sign = reversed ? -1 : 1, share = 2 / readings.length;
  let x = 0, y = 0;
  for (const { angle, um } of readings) {
    const t = (angle * Math.PI) / 180;
    x += share * sign * um * mirror * Math.sin(t);
    y += share * sign * um * Math.cos(t);
  }
  return { x: gain * x, y: gain * (y + sag / 2) };
};
// 12 + 6 - 3 - 9: nothing, but for out-of-round and misread figures.
linelog.closure = (um, { reversed }) => (reversed ? -1 : 1) * (um(0) + um(180) - um(90) - um(270));
// A number as the server reads it: a comma or a point, any minus sign; NaN for anything else.
linelog.parseNumber = (text) => {
  const cleaned = text.trim().replace(/[−–]/g, "-").replace(/[\u202f ]/g, "").replace(/^([^.,]*),([^.,]*)$/, "$1.$2");
  return /^[+-]?(\d+(\.\d*)?|\.\d+)$/.test(cleaned) ? Number(cleaned) : NaN;
};
linelog.units = { um: { um: 1, decimals: 1, label: "µm" }, mm: { um: 1000, decimals: 3, label: "mm" }, inch: { um: 25400, decimals: 4, label: "in" } };
// A length typed in one unit as a person types it in another: "17" um is "0.017" mm.
linelog.inUnit = (text, from, to) => {
  const number = linelog.parseNumber(text);
  if (from === to || Number.isNaN(number)) return text;
  const { um, decimals } = linelog.units[to];
  return ((number * linelog.units[from].um) / um).toFixed(decimals);
};
// The set-up chosen in the form, laid over the one the server has.
linelog.setupWith = (setup, form) => {
  const touches = form.get("touches") || "ram-bore";
  const { um } = linelog.units[form.get("lengths_in") || setup.unit];
  const size = (linelog.parseNumber(form.get("sag") || "0") || 0) * um * (form.get("sag_is") === "droop" ? 2 : 1);
  return {
    ...setup, target: null, gain: touches === "ram-outside" || touches === "bar-outside" ? 1 : -1, view: form.get("view"),
    reversed: form.get("plunger_reversed") !== null, sag: touches.endsWith("-bore") ? size : -size,
  };
};
