"use strict";
// Signing out and handing over: what is not sent is told first, and where the server cannot be reached the pages are
// shut at once and the rest is done when it can.
(() => {
  const { person = "" } = document.body.dataset;
  const OWED = "linelog-leaving";
  const dialog = document.getElementById("leave");
  const doors = () => [...document.querySelectorAll("form[data-leaves]")];

  const reaches = linelog.reaches = () => fetch("/who/", { headers: { "X-Passive": "1" }, signal: AbortSignal.timeout(4_000) })
    .then((answer) => answer.ok, () => false);
  const go = (form) => { form.dataset.sure = "1"; form.requestSubmit(); };
  const shut = (form) => {
    localStorage.setItem(OWED, JSON.stringify({ person, action: form.getAttribute("action") }));
    const worker = navigator.serviceWorker && navigator.serviceWorker.controller;
    if (worker) worker.postMessage({ forget: true });
    location.assign("/no-connection/");
  };

  const ask = (unsent, isCut) => {
    const [count, they] = unsent === 1 ? ["One thing you typed is", "It stays here and is"] : [`${unsent} things you typed are`, "They stay here and are"];
    const kept = `${count} only on this tablet. ${they} sent when you sign in on this tablet again; nobody else can send what you typed.`;
    const cut = "There is no connection, so the server can't sign you out now. Leaving shuts your pages on this tablet, and signs you out as soon as the network is back.";
    document.getElementById("leave-head").textContent = unsent ? "Not everything is on the server yet" : "No connection";
    document.getElementById("leave-says").textContent = [unsent ? kept : "", isCut ? cut : ""].filter(Boolean).join(" ");
    dialog.returnValue = "stay";
    dialog.showModal();
    return new Promise((done) => {
      dialog.addEventListener("close", () => done(dialog.returnValue === "leave"), { once: true });
    });
  };

  document.addEventListener("submit", async (event) => {
    const form = event.target;
    if (!form.matches("[data-leaves]") || form.dataset.sure) return;
    event.preventDefault();
    event.stopImmediatePropagation();
    const isAllSent = await linelog.queue.flush();
    const isCut = !(await reaches());
    if (isAllSent && !isCut) { go(form); return; }
    if (!(await ask(linelog.queue.unsent, isCut))) return;
    if (isCut) shut(form);
    else go(form);
  }, true);

  // What was owed is done on the first page that opens again.
  const pay = async () => {
    const owed = JSON.parse(localStorage.getItem(OWED) || "null");
    if (!owed) return;
    if (location.pathname === "/no-connection/") {
      document.getElementById("owed").hidden = false;
      const wait = setInterval(async () => { if (await reaches()) { clearInterval(wait); location.replace("/"); } }, 5_000);
      return;
    }
    if (!navigator.onLine || document.body.dataset.fromStore) return;
    localStorage.removeItem(OWED);
    const form = doors().find((door) => door.getAttribute("action") === owed.action);
    if (owed.person !== person || !form) return;
    await linelog.queue.flush(10_000);
    go(form);
  };
  pay();
})();
