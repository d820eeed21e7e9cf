"use strict";
// The bar under the head: what is not on the server yet, how much and what of it, and what a person must decide.
(() => {
  const { person = "", fromStore } = document.body.dataset;
  const isSaid = "person" in document.body.dataset; // a page made without the server does not know who is signed in
  const bar = document.getElementById("unsent");
  if (!bar) return;
  const said = bar.querySelector("[role=status]"), list = bar.querySelector("details"), decide = bar.querySelector(".decide");
  const PASSING = 1_500; // what is on its way for so long needs no word
  let wasTold = false, later = 0, shown = "", isCut = Boolean(fromStore);

  const WHY = {
    "": "on the way to the server.",
    network: "no connection. Kept on this tablet, sent by itself when the network is back.",
    server: "the server does not answer as it should. Kept on this tablet, sent by itself.",
    other: "somebody else is signed in. Kept on this tablet until you are.",
    "sign-in": "sign in again to send it; it is kept on this tablet.",
  };
  const make = (tag, text, more = {}) => Object.assign(document.createElement(tag), { textContent: text, ...more });
  // By the plant's clock, not the tablet's.
  const zone = { timeZone: document.body.dataset.zone || undefined };
  const clock = (at) => new Date(at).toLocaleTimeString([], { hour: "2-digit", minute: "2-digit", hour12: false, ...zone });

  const lines = (writes, trouble) => {
    const told = [];
    const mine = writes.filter((write) => write.person === person && write.state === "waiting");
    const blocked = mine.filter((write) => linelog.queue.isBlocked(write) && !mine.some(({ visit }) => visit && write.url.includes(visit))).length;
    const waiting = mine.length - blocked;
    if (fromStore) told.push(`◷ ${isCut ? "No connection: this" : "This"} page is as it was at ${clock(fromStore)}.`);
    if (waiting) told.push(`◷ ${waiting} not on the server yet: ${WHY[trouble]}`);
    if (blocked) told.push(`◷ ${blocked} wait${blocked === 1 ? "s" : ""} for a visit that the server did not open: say on its page what becomes of it.`);
    const kept = new Map();
    for (const write of writes.filter((one) => one.person !== person && ["waiting", "held"].includes(one.state))) {
      kept.set(write.personName, (kept.get(write.personName) || 0) + 1);
    }
    for (const [name, count] of kept) told.push(isSaid
      ? `◷ ${count} kept for ${name}: sent when ${name} signs in on this tablet.`
      : `◷ ${count} of ${name} not on the server yet: kept on this tablet.`);
    if (trouble && waiting) wasTold = true;
    const isHeld = writes.some((write) => write.person === person && write.state === "held");
    if (!told.length && wasTold && !isHeld) told.push("✓ All saved on the server.");
    return told;
  };

  // Each writing that waits has its line, which stays as it is while somebody corrects it.
  const items = new Map();
  const isCorrecting = (item) => Boolean(item.querySelector("form"));
  const drawList = (writes) => {
    const waiting = writes.filter((write) => write.person === person && write.state === "waiting");
    for (const [number, { item }] of items) if (!waiting.some((write) => write.number === number) && !isCorrecting(item)) items.delete(number);
    for (const write of waiting) {
      const known = items.get(write.number), mark = `${write.key} ${write.asked || ""}`;
      if (!known || (known.mark !== mark && !isCorrecting(known.item))) items.set(write.number, { mark, item: linelog.waitingLine(write, clock) });
    }
    const shownItems = [...items].sort(([one], [other]) => one - other).map(([, { item }]) => item);
    list.hidden = !shownItems.length;
    const there = list.querySelector("ol");
    if (shownItems.length !== there.children.length || shownItems.some((item, at) => there.children[at] !== item)) there.replaceChildren(...shownItems);
  };

  const button = (words, act) => {
    const made = make("button", words, { type: "button" });
    made.addEventListener("click", async () => { made.disabled = true; await act(); made.disabled = false; });
    return made;
  };
  // Both versions side by side; nothing of either is lost before somebody has chosen.
  const decision = (write) => {
    const box = make("section", "", { className: "decision" });
    const isConflict = write.theirs !== null;
    box.append(make("h2", `▲ Not stored: ${write.label}${isConflict ? "" : `: ${write.words}`}`), make("p", write.says));
    const both = make("dl", "", { className: "both" });
    const sides = isConflict ? [["Yours, kept on this tablet", write.words], ["On the server now", write.theirs]] : [];
    for (const [name, text] of sides) {
      const side = make("div", "");
      side.append(make("dt", name), make("dd", text || "nothing"));
      both.append(side);
    }
    const isVisit = write.kind === "open";
    const again = isVisit && isConflict ? "Go on in that visit" : isConflict ? "Put mine in its place" : write.meant ? "Yes, keep it" : "Send it again";
    const row = make("p", "", { className: "row" });
    row.append(
      button(again, () => linelog.queue.resend(write)),
      button(isConflict && !isVisit ? "Keep theirs" : "Let mine go", async () => {
        if (await linelog.queue.drop(write)) await (linelog.refresh && !isVisit ? linelog.refresh(write) : location.reload());
        else if (!box.querySelector(".kept-for")) box.append(make("p", "What was typed in this visit waits for it: withdraw that first, above.", { className: "wrong kept-for" }));
      }),
    );
    if (write.page !== location.pathname + location.search) row.append(make("a", "Look at the page", { href: write.page, className: "button" }));
    if (isConflict) box.append(both);
    if (!isConflict && write.fields && write.fields.length) {
      row.append(button("Correct it", () => { if (!box.querySelector("form")) box.append(linelog.correcting(write, (form) => form.remove())); }));
    }
    box.append(row);
    return box;
  };
  // What was refused is for where it belongs: whole on its own page and the visit's, a line on the visit's and the
  // machine's other pages, and nowhere else.
  const isWhole = (write) => [new URL(write.page, location.href).pathname, new URL(write.url, location.href).pathname, linelog.visitOf(write.url)].includes(location.pathname);
  const isNear = (write) => {
    const visit = linelog.visitOf(write.url);
    return Boolean(visit && location.pathname.startsWith(visit)) || Boolean(write.machine && location.pathname.startsWith(`/machines/${write.machine}/`));
  };
  const pointer = (write) => {
    const made = make("p", `▲ Not stored: ${write.label}. `);
    made.append(make("a", "Look at it", { href: write.page, className: "button" }));
    return made;
  };

  // A signing that was prepared: its signer sees what is signed, and signs, once all of it is on the server.
  const prepared = (write, writes) => {
    const made = make("p", "", { className: "row" }), visit = linelog.visitOf(write.url);
    const isWhole = !linelog.queue.isBlocked(write) && navigator.onLine
      && !writes.some((one) => one.person === person && one.kind !== "sign" && ["waiting", "held"].includes(one.state) && linelog.visitOf(one.url) === visit);
    made.append(make("span", isWhole
      ? `${write.label}: all of it is on the server. Look at what is signed, then sign it.`
      : `◷ ${write.label}: prepared. You see what is signed, and sign it, once the network is back and all of it is on the server.`));
    if (isWhole) made.append(make("a", "Look and sign", { href: write.url, className: "button main" }));
    made.append(button("Withdraw", () => linelog.queue.withdraw(write)));
    return made;
  };
  let signings = "";
  const drawPrepared = (writes) => {
    const mine = writes.filter((write) => write.kind === "sign" && write.person === person && write.url !== location.pathname);
    // The visit's own page says when there is nothing to sign any more.
    const over = fromStore || document.querySelector("[data-sign]") ? [] : mine.filter((write) => linelog.visitOf(write.url) === location.pathname);
    for (const write of over) linelog.queue.withdraw(write);
    const lines = mine.filter((write) => !over.includes(write)).map((write) => prepared(write, writes));
    const text = lines.map((one) => one.textContent).join();
    if (text !== signings) bar.querySelector(".signings").replaceChildren(...lines);
    signings = text;
    return lines.length;
  };
  const boxes = new Map(); // a box stays as it is, with what is typed in it, until its writing is another
  const drawDecisions = (held, near) => {
    const wanted = [...held.map((write) => [write, decision]), ...near.map((write) => [write, pointer])];
    const keys = wanted.map(([{ key }]) => key);
    for (const key of boxes.keys()) if (!keys.includes(key)) boxes.delete(key);
    for (const [write, made] of wanted) if (!boxes.has(write.key)) boxes.set(write.key, made(write));
    if (keys.join(" ") === decide.dataset.shown) return;
    decide.dataset.shown = keys.join(" ");
    decide.replaceChildren(...keys.map((key) => boxes.get(key)));
    if (held.length > 1) decide.prepend(button(`Send all ${held.length} again`, async () => { for (const one of held) await linelog.queue.resend(one); }));
  };

  const draw = ({ writes, trouble }) => {
    const isSaidHere = linelog.isSaidHere || (() => false); // under the clock, where it was typed
    const refused = writes.filter((write) => write.person === person && write.state === "held" && !isSaidHere(write));
    const held = refused.filter(isWhole), near = refused.filter((write) => !isWhole(write) && isNear(write));
    const told = lines(writes, trouble);
    const text = told.join("\n");
    if (text !== shown) said.replaceChildren(...told.map((line) => make("p", line)));
    shown = text;
    if (trouble === "sign-in" && text) {
      const url = linelog.queue.signIn || `/sign-in/?next=${encodeURIComponent(location.pathname)}`;
      if (!said.querySelector("a")) said.append(make("a", "Sign in", { href: url, className: "button" }));
    } else if (fromStore && !isCut) {
      if (!said.querySelector("a")) said.append(make("a", "Open it anew", { href: location.href, className: "button" }));
    } else said.querySelector("a")?.remove();
    drawList(writes);
    drawDecisions(held, near);
    const signing = drawPrepared(writes);
    bar.hidden = !told.length && !held.length && !near.length && !signing && list.hidden;
  };

  document.addEventListener("linelog:answered", () => { isCut = false; });
  if (fromStore) window.addEventListener("online", () => { isCut = false; linelog.queue.changed(); });
  document.addEventListener("linelog:changed", (event) => {
    clearTimeout(later);
    const isPassing = bar.hidden && !event.detail.trouble && !fromStore
      && event.detail.writes.every((write) => !["held", "prepared"].includes(write.state) && (write.state === "sent" || write.person === person));
    if (isPassing && event.detail.writes.some((write) => write.state === "waiting")) {
      later = setTimeout(() => draw(event.detail), PASSING);
    } else draw(event.detail);
  });
})();
