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
    return label && !label.classList.contains("vh") ? `${label.textContent.trim()} ` : "";
  };
  const isShown = (control) => control.name && control.type !== "hidden" && control.type !== "submit";
  const valueOf = (control) => {
    if (control.type === "checkbox") return control.checked ? "yes" : "";
    return control.tagName === "SELECT" ? control.selectedOptions[0].textContent.trim() : control.value.trim();
  };
  // What was typed, in words for the list of what is not on the server yet.
  const words = (form) => {
    const unit = form.elements.unit && form.elements.unit.type === "hidden" ? ` ${form.elements.unit.value}` : "";
    if (form.dataset.queued === "reading") return form.elements.value.value.trim() ? form.elements.value.value + unit : "taken away";
    const parts = [...form.elements].filter(isShown).map((control) => [nameOf(control), valueOf(control)]);
    const given = parts.filter(([, value]) => value);
    const said = given.map(([name, value]) => (parts.length > 1 ? name : "") + value).join(", ");
    return form.elements.travel ? said + unit : said;
  };

  const writeOf = (form) => {
    const fields = new URLSearchParams(new FormData(form));
    fields.delete("csrfmiddlewaretoken");
    const url = new URL(form.action);
    return {
      key: linelog.newKey(), person, personName, kind: form.dataset.queued, label: form.dataset.label, words: words(form),
      url: url.pathname + url.search, page: linelog.ownPage(), field: linelog.fieldOf(form),
      target: form.dataset.target || form.getAttribute("hx-target").slice(1), body: fields.toString(),
      state: "waiting", tries: 0, typedAt: Date.now(), tab: linelog.tab,
    };
  };

  // What is done once must not be taken twice by a second press while the tablet's store is slow.
  const ONCE = ["move", "move-back", "untouched", "accept", "lockout"];
  const hold = (form, isHeld) => {
    if (ONCE.includes(form.dataset.queued)) for (const button of form.querySelectorAll("button")) button.disabled = isHeld;
  };

  const take = (form, otherwise) => {
    const write = writeOf(form);
    form.dataset.taken = "1";
    delete form.dataset.changed;
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
