"use strict";
// What a person has typed stands above what the server or the tablet's store says later: a part of the page that is
// replaced keeps every field that was changed since it was sent, the cursor in it, and the version it was built on.
(() => {
  const isField = (control) => control.name && !["hidden", "submit", "button", "file"].includes(control.type) && control.tagName !== "BUTTON";
  const state = (control) => (["checkbox", "radio"].includes(control.type) ? String(control.checked) : control.value);
  const rendered = (control) => {
    if (["checkbox", "radio"].includes(control.type)) return String(control.defaultChecked);
    if (control.tagName !== "SELECT") return control.defaultValue;
    const said = [...control.options].find((option) => option.defaultSelected) || control.options[0];
    return said ? said.value : "";
  };
  const put = (control, value) => {
    if (["checkbox", "radio"].includes(control.type)) control.checked = value === "true";
    else control.value = value;
  };
  const sentValue = (control, sent) => {
    if (["checkbox", "radio"].includes(control.type)) return String(sent.getAll(control.name).includes(control.value));
    return sent.get(control.name) ?? "";
  };
  const nameOf = (form) => [
    linelog.fieldOf(form) || new URL(form.action).pathname, form.elements.adjuster ? form.elements.adjuster.value : "",
  ].join("|");
  const keyOf = (control) => `${nameOf(control.form)}|${control.name}|${["radio", "checkbox"].includes(control.type) ? control.value : ""}`;
  const fieldsIn = (root) => [...root.querySelectorAll("form[data-queued] input, form[data-queued] select, form[data-queued] textarea")].filter(isField);
  const isOf = (form, write) => Boolean(write) && (write.field ? linelog.fieldOf(form) === write.field : false);

  // Whether a control holds what neither the server nor the answered writing says.
  const isTyped = (control, write) => {
    const now = state(control), { queued, taken, changed } = control.form.dataset;
    // The same value typed once more, after it was sent, is typed.
    if (isOf(control.form, write)) return control.dataset.since === "1" || now !== sentValue(control, new URLSearchParams(write.body));
    if (queued === "move" && taken && !changed) return false; // about to be cleared
    return now !== rendered(control);
  };
  // What a form holds was taken as it stands: it is typed no more. And a form that is filled in again from what was taken.
  linelog.noteTaken = (form) => { for (const control of form.elements) if (isField(control)) control.dataset.sent = state(control); };
  linelog.fillAgain = (form, body) => {
    for (const control of form.elements) {
      if (!isField(control) || control.dataset.touched) continue;
      put(control, sentValue(control, body));
      control.dataset.sent = state(control);
      if (state(control) !== rendered(control)) control.closest("details")?.setAttribute("open", "");
    }
  };
  linelog.isTyped = (control) => isField(control) && control.form && state(control) !== (control.dataset.sent ?? rendered(control));

  const noted = (control) => ({
    value: state(control), sent: control.dataset.sent ?? rendered(control), fresh: control.dataset.fresh, touched: control.dataset.touched, since: control.dataset.since,
    version: control.form.elements.version ? control.form.elements.version.value : null,
    isOpen: Boolean(control.closest("details[open]"))
  });
  const restore = (control, old, write) => {
    put(control, old.value);
    control.dataset.sent = old.sent;
    if (old.touched) control.dataset.touched = "1";
    if (old.since) control.dataset.since = "1";
    if (old.fresh) control.dataset.fresh = old.fresh;
    // What was typed over another version than the page has now is for the person to decide.
    if (old.version !== null && control.form.elements.version && !isOf(control.form, write)) control.form.elements.version.value = old.version;
    if (old.isOpen) control.closest("details")?.setAttribute("open", "");
  };
  const cursorOf = (root) => {
    const at = document.activeElement;
    if (!at || !root.contains(at) || !at.form || !isField(at)) return null;
    const isText = typeof at.selectionStart === "number";
    return { key: keyOf(at), fresh: at.dataset.fresh, from: isText ? at.selectionStart : null, to: isText ? at.selectionEnd : null };
  };
  const setCursor = (fields, cursor) => {
    const control = cursor && fields.get(cursor.key);
    if (!control) return;
    control.closest("details")?.setAttribute("open", ""); // begun, if not typed into yet
    control.focus({ preventScroll: true });
    if (cursor.from !== null) control.setSelectionRange(cursor.from, cursor.to);
    if (cursor.fresh) control.dataset.fresh = cursor.fresh;
  };

  // What was opened stays open: the person is about to type there.
  const openedIn = (root) => [...root.querySelectorAll("details[open] > summary")].map((summary) => `${summary.closest("[id]").id} ${summary.textContent}`);
  const open = (root, opened) => {
    for (const summary of root.querySelectorAll("details > summary")) {
      if (opened.includes(`${summary.closest("[id]").id} ${summary.textContent}`)) summary.parentElement.open = true;
    }
  };

  // Without the parts of an answer that this page has no place for: the field of another repeat.
  const fitting = (html) => {
    const box = Object.assign(document.createElement("template"), { innerHTML: html });
    for (const part of box.content.querySelectorAll("[hx-swap-oob]")) if (!document.getElementById(part.id)) part.remove();
    return box.innerHTML;
  };
  // Replaces one part of the page by what the server says, but for what is typed in it.
  linelog.swapKeeping = (id, html, write) => {
    const root = document.getElementById(id);
    if (!root) return;
    const cursor = cursorOf(root), typed = new Map(), opened = id === "screen" ? openedIn(root) : [];
    for (const control of fieldsIn(root)) if (isTyped(control, write)) typed.set(keyOf(control), noted(control));
    linelog.isSwapping = true; // a field taken out of the page was not left by anybody
    htmx.swap(`#${id}`, fitting(html), { swapStyle: "outerHTML" });
    const now = document.getElementById(id) || document.body;
    const fields = new Map(fieldsIn(now).map((control) => [keyOf(control), control]));
    for (const [key, old] of typed) {
      const control = fields.get(key);
      if (control && !control.readOnly) restore(control, old, write);
    }
    open(now, opened);
    setCursor(fields, cursor);
    linelog.isSwapping = false;
  };

  // The page anew, but for what is typed in it; `given` is a writing that its person gave up.
  linelog.refresh = async (given) => {
    const answer = await fetch(linelog.ownPage(), { headers: { "X-Passive": "1" } }).catch(() => null);
    const page = answer && answer.ok && !answer.redirected && new DOMParser().parseFromString(await answer.text(), "text/html");
    const screen = page && page.getElementById("screen");
    if (!screen) { location.reload(); return; }
    linelog.swapKeeping("screen", screen.outerHTML, given);
    document.dispatchEvent(new CustomEvent("linelog:refreshed"));
  };
})();
