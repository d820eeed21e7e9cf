"use strict";
// Keeps the pages a person works on for the time without a connection, by the worker at the root.
(() => {
  const worker = navigator.serviceWorker; // browsers have it over TLS and on the machine itself alone
  const { person = "", fromStore } = document.body.dataset;
  const FRESH = 20 * 60_000;
  const pause = (ms) => new Promise((done) => setTimeout(done, ms));
  linelog.keepPage = (url) => fetch(url, { headers: { "X-Keep": "1", "X-Passive": "1" } });

  const keptPages = async () => {
    const found = [];
    for (const name of (await caches.keys()).filter((one) => one.startsWith("pages-"))) {
      found.push(...(await (await caches.open(name)).keys()).map((request) => request.url));
    }
    return found;
  };
  // The kept pages that a writing changes: its own, and for a lockout every one of the visit.
  linelog.pagesShowing = async (write) => {
    if (write.kind !== "lockout") return [write.page];
    const visit = write.page.match(/^\/visits\/\d+\//)[0];
    return (await keptPages()).filter((url) => new URL(url).pathname.startsWith(visit));
  };

  const showKept = async (list) => {
    for (const url of (await keptPages()).filter((one) => !new URL(one).search)) {
      const text = await (await caches.match(url)).text();
      const item = document.createElement("li");
      const words = new DOMParser().parseFromString(text, "text/html").title;
      item.append(Object.assign(document.createElement("a"), { className: "button", href: url, textContent: words }));
      list.append(item);
      list.closest("section").hidden = false;
    }
  };

  const isFresh = async (url) => {
    const kept = await caches.match(url);
    return Boolean(kept) && Date.now() - Date.parse(kept.headers.get("Date")) < FRESH;
  };
  // A page that was still loading when the worker came to life is not in its hands until it is asked for.
  const inHand = async () => {
    const { active } = await worker.ready;
    if (worker.controller) return;
    const taken = new Promise((done) => worker.addEventListener("controllerchange", done, { once: true }));
    active.postMessage({ claim: true });
    await taken;
  };
  const keepAll = async () => {
    await inHand();
    if (document.querySelector("[data-own]") && !(await caches.match(linelog.ownPage()))) await linelog.keepPage(linelog.ownPage());
    const wanted = document.querySelector("[data-keep]");
    for (const url of wanted && wanted.dataset.keep ? wanted.dataset.keep.split(" ") : []) {
      if (await isFresh(new URL(url, location.href).href)) continue;
      await pause(100); // in the background: what the person does goes first
      await linelog.keepPage(url);
    }
  };

  const unsafe = document.getElementById("no-worker");
  if (!worker) {
    if (unsafe) unsafe.hidden = false;
    return;
  }
  worker.addEventListener("message", (event) => {
    if (!event.data.notSent || !event.data.page.startsWith(location.href.split("#")[0])) return;
    linelog.say("The server did not answer: what you sent stays on this page. Look whether it is stored before you send it again.");
    for (const button of document.querySelectorAll("form button:disabled")) button.disabled = false;
  });
  const list = document.querySelector("#kept ul");
  if (list) { showKept(list); return; }
  // Pages kept for anybody else are gone from now on, however that person left.
  const isSaid = "person" in document.body.dataset; // a page made in trouble says nothing of who it is for
  if (worker.controller && isSaid && !fromStore) worker.controller.postMessage({ person });
  if (!person) return;
  worker.register("/service-worker.js").then(keepAll).catch(() => {});
  if (document.getElementById("idle")) {
    let told = 0;
    const seen = () => {
      if (!worker.controller || Date.now() - told < 10_000) return;
      told = Date.now();
      worker.controller.postMessage({ seen: true });
    };
    for (const name of ["pointerup", "keydown"]) document.addEventListener(name, seen, { passive: true, capture: true });
  }
})();
