"use strict";
// Keeps the pages a person works on for the time without a connection, by the worker at the root.
(() => {
  const worker = navigator.serviceWorker; // browsers have it over TLS and on the machine itself alone
  const { person = "", fromStore } = document.body.dataset;
  const FRESH = 20 * 60_000, START = "/visits/new/", START_FRESH = 4 * 3_600_000;
  const AT_ONCE = 4; // pages fetched at a time: more would keep the server from what the person does
  linelog.keepPage = async (url) => {
    const answer = await fetch(url, { headers: { "X-Keep": "1", "X-Passive": "1" } });
    await answer.arrayBuffer(); // what is not read to its end holds its connection
    return answer;
  };

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
    const visit = linelog.visitOf(write.url);
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

  const isFresh = async (url, most = FRESH) => {
    const kept = await caches.match(url);
    return Boolean(kept) && Date.now() - Date.parse(kept.headers.get("Date")) < most;
  };
  // A page that was still loading when the worker came to life is not in its hands until it is asked for.
  const inHand = async () => {
    const { active } = await worker.ready;
    if (worker.controller) return;
    const taken = new Promise((done) => worker.addEventListener("controllerchange", done, { once: true }));
    active.postMessage({ claim: true });
    await taken;
  };
  // The sign that the work of this visit goes on without a network: every page of it is in the worker's hands.
  const sign = document.getElementById("offline-ready");
  const isKept = async (url) => Boolean(await caches.match(url));
  const tellReady = (kept, urls) => {
    if (!sign || !urls.length) return;
    sign.dataset.ready = String(kept.size === urls.length);
    sign.textContent = kept.size === urls.length ? "✓ Ready to work offline" : `◷ Being made ready to work offline: ${kept.size} of ${urls.length} pages`;
  };
  const keptOf = async (urls) => {
    const there = await Promise.all(urls.map(isKept));
    return new Set(urls.filter((_, at) => there[at]));
  };
  const keepAll = async () => {
    await inHand();
    const wanted = document.querySelector("[data-keep]");
    const own = document.querySelector("[data-own]") && !(await isKept(linelog.ownPage())) ? [linelog.ownPage()] : [];
    const urls = [...new Set([...own, ...(wanted && wanted.dataset.keep ? wanted.dataset.keep.split(" ") : [])])];
    const rest = [...urls], kept = await keptOf(urls);
    const keepOne = async (url) => {
      await linelog.keepPage(url);
      if (await isKept(url)) kept.add(url); // each by itself: to look after all of them each time took as long as the pages
      tellReady(kept, urls);
    };
    const keepNext = async () => {
      for (let url = rest.shift(); url; url = rest.shift()) {
        if (!(await isFresh(new URL(url, location.href).href))) await keepOne(url).catch(() => {});
      }
    };
    tellReady(kept, urls);
    await Promise.all(Array.from({ length: AT_ONCE }, keepNext));
    tellReady(await keptOf(urls), urls);
    // And the page on which a visit is opened without a network.
    if (document.querySelector("[data-start]") && !(await isFresh(START, START_FRESH))) await linelog.keepPage(START);
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
  // Under a new release's worker: once more when what the one before had in hand is over, which may open its stores.
  worker.addEventListener("controllerchange", () => {
    for (const later of [1_000, 5_000, 20_000]) setTimeout(() => { if (worker.controller) worker.controller.postMessage({}); }, later);
  });
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
