"use strict";
// What waits to be sent can be withdrawn or corrected by whoever typed it, as long as nothing of it was sent.
(() => {
  const make = (tag, text, more = {}) => Object.assign(document.createElement(tag), { textContent: text, ...more });
  const tell = (name, write) => document.dispatchEvent(new CustomEvent(name, { detail: write }));
  let last = 0;

  const inputFor = ({ name, type, value, options, on, maxLength }) => {
    if (options) {
      const made = make("select", "", { name });
      made.append(...options.map(([one, words]) => make("option", words, { value: one })));
      made.value = value;
      return made;
    }
    if (type === "textarea") return make("textarea", "", { name, value });
    if (type === "checkbox") return make("input", "", { name, type, value: on, checked: Boolean(value) });
    return make("input", "", { name, type: type === "number" ? "text" : type, value, autocomplete: "off", ...(maxLength ? { maxLength } : {}) });
  };
  const valueOf = (control) => (control.type === "checkbox" ? (control.checked ? control.value : "") : control.value);

  // A small form with what was typed; `close` takes it away again.
  linelog.correcting = (write, close) => {
    const form = make("form", "", { className: "correct" }), fields = make("div", "", { className: "fields" });
    for (const field of write.fields) {
      const control = inputFor(field), box = make("div", "", { className: "field" });
      control.id = `correct-${last += 1}`;
      const label = make("label", field.label || write.label, { htmlFor: control.id });
      box.append(label, control);
      fields.append(box);
    }
    const row = make("p", "", { className: "row" }), wrong = make("p", "", { className: "wrong", hidden: true });
    const save = make("button", "Use the correction", { className: "main" }), leave = make("button", "Leave it", { type: "button" });
    leave.addEventListener("click", () => close(form));
    row.append(save, leave);
    form.append(fields, wrong, row);
    form.addEventListener("submit", async (event) => {
      event.preventDefault();
      save.disabled = true;
      const values = Object.fromEntries([...form.elements].filter((one) => one.name).map((one) => [one.name, valueOf(one)]));
      const isDone = await linelog.queue.correct(write, values);
      save.disabled = false;
      if (isDone) { close(form); tell("linelog:corrected", await linelog.store.get(write.number)); linelog.queue.changed(); return; }
      wrong.textContent = "It was sent meanwhile: change it on its page.";
      wrong.hidden = false;
      save.remove();
    });
    return form;
  };

  linelog.waitingLine = (write, clock) => {
    const item = make("li", `${write.label}: `);
    item.append(make("strong", write.words), make("span", ` typed ${clock(write.typedAt)}`, { className: "quiet" }));
    if (!linelog.queue.isOpen(write)) {
      item.append(make("span", " – under way when the connection went: whether it is stored is known when it is back.", { className: "quiet" }));
      return item;
    }
    const row = make("div", "", { className: "row" });
    const withdraw = make("button", "Withdraw", { type: "button" }), correct = make("button", "Correct", { type: "button" });
    for (const [button, words] of [[withdraw, "Withdraw"], [correct, "Correct"]]) button.setAttribute("aria-label", `${words}: ${write.label}: ${write.words}`);
    withdraw.addEventListener("click", async () => {
      withdraw.disabled = true;
      if (await linelog.queue.withdraw(write)) { tell("linelog:withdrawn", write); return; }
      withdraw.disabled = false;
      if (write.visit && !item.querySelector(".wrong")) item.append(make("p", "What was typed in this visit waits for it: withdraw that first.", { className: "wrong" }));
    });
    correct.addEventListener("click", () => {
      row.hidden = true;
      const form = linelog.correcting(write, () => { form.remove(); row.hidden = false; linelog.queue.changed(); });
      item.append(form);
      form.querySelector("input, select, textarea").focus();
    });
    if (write.fields && write.fields.length) row.append(correct);
    row.append(withdraw);
    item.append(row);
    return item;
  };
})();
