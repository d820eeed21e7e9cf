"use strict";
// Forms marked data-queued do not go to the server at once but into the tablet's store; queue.js sends them from
// there. So nothing typed is lost when the network or the browser goes.
(() => {
  const { store } = linelog;
  const { person = "", personName = "" } = document.body.dataset;
  let adding = 0;
  linelog.adding = () => adding;

  // Where this page is; one that answers a refused form stands at another address.
  linelog.ownPage = () => {
    const said = document.querySelector("[data-own]");
    const isHere = !said || new URL(said.dataset.own, location.href).pathname === location.pathname;
    return isHere ? location.pathname + location.search : said.dataset.own;
  };
  // Which sweep an address speaks of: its station, stage, seat and face, whatever the repeat.
  linelog.placeOf = (address) => {
    const url = new URL(address, location.href);
    url.searchParams.delete("repeat");
    return `${url.pathname.replace(/(\/stations\/\d+\/).*/, "$1")}?${url.searchParams}`;
  };
  // What a writing changes; the next one for the same field is built on it. Moves stand each for itself.
  linelog.fieldOf = (form) => {
    const { field, queued } = form.dataset;
    if (!field) return "";
    const place = linelog.placeOf(form.action);
    if (queued === "reading" || queued === "sweep") return `${place}#${field}`;
    return `${place.split("?")[0]}#${field} ${form.elements.stage ? form.elements.stage.value : ""}`;
  };

  const nameOf = (control) => {
    const label = control.labels && control.labels[0];
    return label && !label.classList.contains("vh") ? label.textContent.trim() : "";
  };
  const isShown = (control) => control.name && !["hidden", "submit", "file"].includes(control.type) && control.tagName !== "BUTTON";
  const radiosOf = (form, name) => [...form.querySelectorAll("input[type=radio]")].filter((one) => one.name === name);
  const fieldFor = (control) => {
    const { name, type, maxLength } = control, said = { name, type, label: nameOf(control), value: control.value };
    if (maxLength > 0) said.maxLength = maxLength;
    const fold = control.closest("details");
    if (fold && !fold.open && control.form.contains(fold)) said.isFolded = true;
    if (type === "checkbox") return { ...said, value: control.checked ? control.value : "", on: control.value };
    if (control.tagName === "SELECT") return { ...said, options: [...control.options].map((one) => [one.value, one.textContent.trim()]) };
    if (type !== "radio") return said;
    const all = radiosOf(control.form, name), group = control.closest("fieldset");
    const chosen = all.find((one) => one.checked);
    return { ...said, label: group?.querySelector("legend")?.textContent.trim() || "", value: chosen ? chosen.value : "", options: all.map((one) => [one.value, nameOf(one)]) };
  };
  // What can be typed in a form, so that it can be corrected while it waits: each field with its name in words.
  const fieldsOf = (form) => {
    const shown = [...form.elements].filter(isShown);
    return shown.filter((control) => control.type !== "radio" || radiosOf(form, control.name)[0] === control).map(fieldFor);
  };
  const shownValue = ({ type, value, options, isFolded }) => {
    if (options && isFolded) return ""; // nobody looked at it
    if (type === "checkbox") return value ? "yes" : "";
    return options ? (options.find(([one]) => one === value) || ["", ""])[1] : value.trim();
  };
  // What was typed, in words for the list of what is not on the server yet.
  linelog.wordsOf = ({ kind, fields, body, files = [] }) => {
    const unit = new URLSearchParams(body).get("unit") || "";
    if (kind === "reading") return fields[0] && fields[0].value.trim() ? `${fields[0].value} ${unit}` : "taken away";
    const given = fields.map((field) => [field.label, shownValue(field)]).filter(([, value]) => value);
    const said = [...given.map(([name, value]) => (fields.length > 1 && name ? `${name} ` : "") + value), ...files.map(({ file }) => file.name)].join(", ");
    return fields.some(({ name, value }) => name === "travel" && value.trim()) ? `${said} ${unit}` : said;
  };

  const writeOf = (form) => {
    const sent = new FormData(form), files = [];
    for (const [name, value] of [...sent]) if (value instanceof File) { sent.delete(name); if (value.size) files.push({ name, file: value }); }
    sent.delete("csrfmiddlewaretoken");
    const url = new URL(form.action), kind = form.dataset.queued, body = new URLSearchParams(sent).toString();
    const fields = kind === "reading" ? [{ name: "value", type: "text", label: "", value: form.elements.value.value, maxLength: 24 }] : fieldsOf(form);
    const machine = document.querySelector("[data-machine]"), key = linelog.newKey();
    return {
      key, person, personName, kind, label: form.dataset.label, words: linelog.wordsOf({ kind, fields, body, files }),
      url: url.pathname + url.search, page: linelog.ownPage(), field: linelog.fieldOf(form), machine: machine ? machine.dataset.machine : "",
      target: form.dataset.target || form.getAttribute("hx-target").slice(1), body, fields, files, ...(kind === "open" ? { visit: `new-${key}` } : {}),
      state: "waiting", tries: 0, typedAt: Date.now(), tab: linelog.tab,
    };
  };

  // What is done once must not be taken twice by a second press while the tablet's store is slow.
  const ONCE = ["move", "move-back", "untouched", "accept", "lockout", "open", "photo"];
  const hold = (form, isHeld) => {
    if (ONCE.includes(form.dataset.queued)) for (const button of form.querySelectorAll("button")) button.disabled = isHeld;
  };

  const take = (form, otherwise) => {
    const write = writeOf(form);
    form.dataset.taken = "1";
    delete form.dataset.changed;
    for (const control of form.elements) delete control.dataset.since; // typed since it was taken
    hold(form, true);
    adding += 1;
    store.add(write).then(
      (number) => {
        form.dispatchEvent(new CustomEvent("linelog:kept", { bubbles: true, detail: { ...write, number } }));
        return linelog.queue.changed();
      },
      otherwise, // no room on the tablet: straight to the server
    ).finally(() => { adding -= 1; hold(form, false); linelog.queue.send(); });
    if (navigator.storage && navigator.storage.persist) navigator.storage.persist(); // not to be cleared for want of room
  };

  const mayTake = (form) => form && person && linelog.queue.usable;
  document.addEventListener("htmx:confirm", (event) => {
    const form = event.detail.elt.closest("form[data-queued]");
    if (!mayTake(form)) return;
    event.preventDefault();
    take(form, () => event.detail.issueRequest(true));
  });
  document.addEventListener("submit", (event) => {
    const form = event.target.closest("form[data-queued]:not([hx-post])");
    if (!mayTake(form) || form.dataset.sure) return;
    if (!form.checkValidity()) return; // the browser says what is missing
    event.preventDefault();
    event.stopImmediatePropagation();
    take(form, () => { form.dataset.sure = "1"; form.requestSubmit(); });
  }, true);
})();
