"use strict";
// The worker at the root. It keeps the pages that the server marks X-Keep, for the one person they were made for,
// and the files they need; it answers with them only when the server does not. It sends nothing by itself.
// Each release has stores of its own: those of the one before go when its worker takes over.
const PAGES = `pages-${self.RELEASE}`, FILES = `files-${self.RELEASE}`, ABOUT = `about-${self.RELEASE}`;
const NO_CONNECTION = "/no-connection/", LEAVING = ["/sign-out/", "/tablet/hand-over/"];
const START = "/visits/new/"; // one page for every visit that is not on the server yet
const SLOW = 6_000;
const HASHED = /\.[0-9a-f]{12}\.\w+$/; // a file whose name changes with its content

const about = async () => {
  const kept = await (await caches.open(ABOUT)).match("/about");
  return kept ? kept.json() : {};
};
const noteAbout = async (facts) => (await caches.open(ABOUT)).put("/about", new Response(JSON.stringify(facts)));
const forgetNow = async () => { await caches.delete(PAGES); await caches.delete(ABOUT); };
// Keeping and forgetting go one after the other, so that neither undoes half of the other; and what was asked for
// before all was forgotten is not kept when its answer comes after.
// Nor does the worker of a release that is over: what it still had in hand would open its stores anew.
let turn = Promise.resolve(), forgotten = 0;
const isPast = () => self.serviceWorker !== undefined && self.serviceWorker.state === "redundant";
const tidy = async () => {
  for (const name of await caches.keys()) if (![PAGES, FILES, ABOUT].includes(name)) await caches.delete(name);
};
const inTurn = (act) => {
  turn = turn.then(async () => {
    if (isPast()) return;
    // What the one before left after all; not while a newer one stands by, whose stores are begun.
    if (!self.registration.installing && !self.registration.waiting) await tidy();
    await act();
  }).catch(() => {});
  return turn;
};
const forget = () => { forgotten += 1; return inTurn(forgetNow); };
const ask = async (request) => {
  const before = forgotten;
  const answer = await fetch(request);
  return { answer, isOld: () => before !== forgotten };
};

const filesThere = new Set(); // as long as this worker lives: a visit's pages name the same files over and over
const keepFiles = async (html) => {
  const files = await caches.open(FILES);
  for (const [, url] of html.matchAll(/(?:src|href)="(\/static\/[^"]+)"/g)) {
    if (filesThere.has(url) || isPast()) continue;
    const isThere = (await files.match(url)) || (await files.add(url).then(() => true, () => false));
    if (isThere) filesThere.add(url);
  }
};

// What the page fetches by itself (`isPassive`) is no sign of a person at the tablet.
const keepPage = (url, { answer, isOld }, isPassive = false) => inTurn(async () => {
  if (isOld()) return;
  const person = answer.headers.get("X-Keep");
  if (answer.redirected || answer.type === "opaqueredirect" || answer.status >= 500) return;
  if (!answer.ok || !person) { await (await caches.open(PAGES)).delete(url, { ignoreSearch: true }); return; } // no page to work on any more
  const seconds = Number(answer.headers.get("X-Keep-Seconds")) || 0;
  const facts = await about();
  if (facts.person !== person) await forgetNow(); // another person's pages are gone before these come
  const isSame = isPassive && facts.person === person;
  if (!isSame || facts.seconds !== seconds) await noteAbout({ person, seconds, seen: isSame ? facts.seen : Date.now() });
  const html = await answer.clone().text();
  await keepFiles(html);
  if (isPast()) return;
  const pages = await caches.open(PAGES);
  if (new URL(url, self.location.href).pathname === START) { await pages.put(START, answer); return; }
  // The same page stands at more than one address.
  for (const also of (answer.headers.get("X-Keep-Also") || "").split(" ").filter(Boolean)) await pages.put(also, answer.clone());
  await pages.put(url, answer);
});

// On a shared tablet that nobody touched for its idle time nothing opens, also not after a restart.
const keptPage = async (url) => {
  const { seconds, seen } = await about();
  if (seconds && Date.now() - seen > seconds * 1000) {
    await forget();
    return undefined;
  }
  const pages = await caches.open(PAGES);
  if (new URL(url).pathname === START) return pages.match(START);
  return (await pages.match(url)) || pages.match(url.replace(/([?&])repeat=1$/, "").replace(/[?&]repeat=1(?=&)/, ""));
};

// A kept page says when it was made.
const asKept = async (kept) => {
  const headers = new Headers(kept.headers);
  for (const name of ["Content-Encoding", "Content-Length"]) headers.delete(name);
  const made = new Date(headers.get("Date") || Date.now()).toISOString();
  const html = (await kept.text()).replace("<body", `<body data-from-store="${made}"`);
  return new Response(html, { headers });
};
const noConnection = async () => (await (await caches.open(FILES)).match(NO_CONNECTION)) || Response.error();

const page = async (event) => {
  const { url } = event.request;
  const kept = await keptPage(url);
  const asked = ask(event.request).then(({ answer, isOld }) => {
    if (kept && answer.type === "opaqueredirect") event.waitUntil(forget()); // the session is over
    else event.waitUntil(keepPage(url, { answer: answer.clone(), isOld }));
    return answer;
  });
  event.waitUntil(asked.catch(() => {}));
  const late = new Promise((_, refuse) => { if (kept) setTimeout(refuse, SLOW); });
  try {
    return await Promise.race([asked, late]);
  } catch {
    if (kept) return asKept(kept);
    const opening = new URL(url).pathname.match(/^\/visits\/open\/(\d+)\/$/);
    if (opening && (await keptPage(new URL(START, url).href))) return Response.redirect(`${START}?machine=${opening[1]}`);
    return noConnection();
  }
};
const fetchToKeep = async (request) => {
  const { answer, isOld } = await ask(request);
  await keepPage(request.url, { answer: answer.clone(), isOld }, true);
  return answer;
};

// A form that did not reach the server leaves its page as it stands, with all that was typed.
const send = async (request, url) => {
  try {
    const answer = await fetch(request);
    if (LEAVING.includes(url.pathname)) await forget(); // what was still being kept meanwhile goes too
    return answer;
  } catch {
    for (const client of await self.clients.matchAll({ type: "window" })) {
      client.postMessage({ notSent: true, page: client.url });
    }
    return new Response(null, { status: 204 });
  }
};

const file = async (request) => {
  const files = await caches.open(FILES);
  const kept = await files.match(request);
  if (kept && HASHED.test(new URL(request.url).pathname)) return kept;
  try {
    const answer = await fetch(request);
    if (kept && answer.ok) await files.put(request, answer.clone());
    return answer;
  } catch (error) {
    if (kept) return kept;
    throw error;
  }
};

self.addEventListener("install", (event) => {
  self.skipWaiting();
  event.waitUntil((async () => {
    const answer = await fetch(NO_CONNECTION, { cache: "no-store" });
    await keepFiles(await answer.clone().text());
    await (await caches.open(FILES)).put(NO_CONNECTION, answer);
  })());
});
self.addEventListener("activate", (event) => event.waitUntil((async () => {
  await tidy();
  await self.clients.claim();
})()));
self.addEventListener("message", (event) => event.waitUntil(inTurn(async () => {
  const facts = await about();
  const { claim, forget: isOver, person, seen } = event.data;
  if (claim) await self.clients.claim();
  if (isOver) forgotten += 1;
  if (isOver || (person !== undefined && facts.person && facts.person !== person)) await forgetNow();
  else if (seen && facts.person) await noteAbout({ ...facts, seen: Date.now() });
})));
self.addEventListener("fetch", (event) => {
  const { request } = event;
  const url = new URL(request.url);
  if (url.origin !== self.location.origin) return;
  if (request.method !== "GET") {
    if (request.mode === "navigate") event.respondWith(send(request, url));
    else if (LEAVING.includes(url.pathname)) event.waitUntil(forget()); // given back by time
  } else if (url.pathname.startsWith("/static/")) event.respondWith(file(request));
  else if (request.headers.has("X-Keep")) event.respondWith(fetchToKeep(request));
  else if (request.mode === "navigate") event.respondWith(page(event));
});
