"use strict";
// Sends what the tablet has kept, one at a time and in the order typed. Each writing has a key: sent twice it is
// stored once. What one person typed is never sent in another's name.
(() => {
  const { store } = linelog;
  const { person = "" } = document.body.dataset;
  const FIRST_PAUSE = 2_000, LONGEST_PAUSE = 10_000, PATIENCE = 20_000, SHORT = 5_000, FOR_A_FILE = 180_000, MOST_TRIES = 8, QUIET = 15_000;
  const PASSING = [408, 425, 429, 502, 503, 504];
  const others = "BroadcastChannel" in window ? new BroadcastChannel("linelog") : null;
  let token = JSON.parse(document.body.getAttribute("hx-headers") || "{}")["x-csrftoken"];
  let busy = false, again = false, pause = FIRST_PAUSE, retry = 0, tidying = 0;
  const queue = { usable: Boolean(window.indexedDB), unsent: 0, waiting: 0, trouble: "", signIn: "" };
  linelog.queue = queue;

  const patient = (more, most = PATIENCE) => ({ ...more, signal: AbortSignal.timeout(most) });
  const stop = (why) => { queue.trouble = why; return false; };
  const mine = async (wanted) => (await store.all()).filter((write) => write.person === person && wanted(write));
  const parsed = (html) => new DOMParser().parseFromString(html, "text/html");
  const withField = (body, name, value) => {
    const fields = new URLSearchParams(body);
    fields.set(name, value);
    return fields.toString();
  };

  // The version a writing was built on; a running value carries one for each stage.
  const seenBy = ({ body }) => {
    const fields = new URLSearchParams(body);
    return fields.get("version") || fields.get(`seen_${fields.get("stage")}`) || "0";
  };

  queue.changed = async () => {
    const writes = await store.all();
    const own = writes.filter((write) => write.person === person);
    queue.waiting = own.filter((write) => write.state === "waiting").length;
    queue.unsent = queue.waiting + own.filter((write) => write.state === "held").length;
    document.dispatchEvent(new CustomEvent("linelog:changed", { detail: { writes, trouble: queue.trouble } }));
  };
  // Which version each writing of a tab has made of the one it saw: what is typed there on top of it, and reaches the
  // store only now, goes on from there.
  const made = new Map();
  const ofTab = (write, version) => `${write.tab} ${write.field} ${version}`;
  const learn = ({ version, status, ...write }) => {
    if (write.field && version !== null && status < 300) made.set(ofTab(write, seenBy(write)), version);
  };
  const onTop = async (write) => {
    const seen = seenBy(write);
    let version = seen;
    for (let next = made.get(ofTab(write, version)); write.field && next && next !== version; next = made.get(ofTab(write, version))) version = next;
    if (version === seen) return write;
    const next = { ...write, body: withField(write.body, "version", version) };
    await store.put(next);
    return next;
  };
  const tell = (news) => document.dispatchEvent(new CustomEvent("linelog:answered", { detail: news }));
  if (others) others.onmessage = (event) => { learn(event.data); tell({ ...event.data, isOfOtherTab: true }); queue.changed(); };

  // Whether the server still takes this browser for the one who typed it; gets a fresh token on the way.
  const isMine = async (write) => {
    const answer = await fetch("/who/", patient({ headers: { "X-Passive": "1" } }, SHORT));
    const who = await answer.json();
    token = who.token;
    return who.person === write.person || stop(who.person ? "other" : "sign-in");
  };
  const bodyOf = ({ body, files = [] }) => {
    const fields = new URLSearchParams(body);
    if (!files.length) return fields;
    const form = new FormData();
    for (const [name, value] of fields) form.append(name, value);
    for (const { name, file } of files) form.append(name, file, file.name);
    return form;
  };
  const post = (write) => fetch(write.url, patient({
    method: "POST", body: bodyOf(write), headers: {
      "HX-Request": "true", "HX-Current-URL": location.href, "HX-Target": write.target,
      "X-CSRFToken": token, "X-Write-Key": write.key, "X-Person": write.person,
      "X-Age": String(Math.max(0, Math.round((Date.now() - (write.saidAt || write.typedAt)) / 1000))), // seconds: no clock is trusted
    },
  }, write.files && write.files.length ? FOR_A_FILE : PATIENCE));

  // A writing whose answer got lost may be stored already: it can't be withdrawn any more, only sent again. So it is
  // even where the network went while it was under way.
  const postNoting = async (write) => {
    try {
      return await post(write);
    } catch (error) {
      if (!write.asked) await store.put({ ...write, asked: true });
      throw error;
    }
  };

  // Sends one; says whether the next may go.
  const deliver = async (write) => {
    const isDoubtful = queue.trouble === "network" || !navigator.onLine; // then nothing is sent before somebody answers
    if (isDoubtful && !(await isMine(write))) return false;
    let answer = await postNoting(write);
    if (answer.status === 403) {
      if (!(await isMine(write))) return false;
      answer = await postNoting(write);
    }
    if (answer.headers.get("HX-Redirect") || answer.redirected) {
      queue.signIn = answer.headers.get("HX-Redirect") || answer.url;
      return stop("sign-in");
    }
    const html = await answer.text();
    const answersIt = html.includes(`id="${write.target}"`); // else a page of something in between
    const isBroken = answer.status >= 500 && write.tries < MOST_TRIES;
    if (isBroken || PASSING.includes(answer.status) || (answer.ok && !answersIt)) {
      await store.put({ ...write, tries: write.tries + 1, asked: write.asked || !answer.ok });
      return stop("server");
    }
    if (!answer.ok && !answersIt && !(await isMine(write))) return false;
    await settle(write, answer, answersIt ? html : "", html);
    return true;
  };

  // Why it was refused, and the other version where there is one.
  const refusal = (html) => {
    const page = parsed(html);
    const wrong = page.querySelector("[data-theirs], .slot .wrong, [role=alert].wrong, .errorlist li, .wrong, .refusal p");
    const says = wrong ? wrong.cloneNode(true) : null;
    if (says) for (const button of says.querySelectorAll("button")) button.remove();
    return {
      says: says ? says.textContent.trim() : "The server did not take this.",
      theirs: wrong && "theirs" in wrong.dataset ? wrong.dataset.theirs : null,
      meant: [...page.querySelectorAll("input[name=meant]")].map(({ value }) => value).find(Boolean),
      waits: (page.querySelector("[data-waits]") || { dataset: {} }).dataset.waits || "",
    };
  };

  // What was refused only because no lockout stood goes out again, in its order, once one of that visit does.
  const free = async (lockout) => {
    const visit = linelog.visitOf(lockout.url);
    for (const one of await mine((other) => other.state === "held" && other.waits === "lockout" && other.url.startsWith(visit))) {
      await store.put({ ...one, key: linelog.newKey(), state: "waiting", tries: 0, html: "", says: "", waits: "", saidAt: Date.now() });
    }
  };

  // The numbers that visits opened without a network have got on the server since, by their temporary ones.
  const OPENED = "linelog-opened", MOST_OPENED = 100;
  const opened = () => JSON.parse(localStorage.getItem(OPENED) || "{}");
  const noteOpened = (temporary, number) => {
    const known = Object.entries({ ...opened(), [temporary]: number }).slice(-MOST_OPENED);
    localStorage.setItem(OPENED, JSON.stringify(Object.fromEntries(known)));
  };
  const temporaryOf = ({ url }) => (linelog.visitOf(url).match(/new-[0-9a-f]+/) || [""])[0];
  // What was typed in such a visit gets its real number, and the page it then stands on.
  const renumber = async () => {
    const known = opened();
    for (const one of await mine((write) => known[temporaryOf(write)])) {
      const temporary = temporaryOf(one), number = String(known[temporary]);
      const url = one.url.replace(temporary, number), station = url.match(/^\/visits\/\d+\/stations\/\d+\//);
      const page = station ? linelog.placeOf(url) : linelog.visitOf(url);
      await store.put({ ...one, url, page, field: one.field.replace(temporary, number) });
    }
  };
  // Waits until its visit is on the server, which may be for its person to decide.
  queue.isBlocked = (write) => Boolean(temporaryOf(write));
  const dependents = (open) => mine((write) => open.visit && temporaryOf(write) === open.visit);

  const settle = async (write, answer, html, page) => {
    const version = answer.headers.get("X-Version");
    const seen = seenBy(write);
    for (const one of await mine((other) => write.field && other.field === write.field)) {
      const isNext = one.number > write.number && one.state === "waiting" && answer.ok && version !== null;
      // What was typed on top of this one goes on from the version it has made.
      if (isNext && seenBy(one) === seen) {
        await store.put({ ...one, body: withField(one.body, "version", version) });
      } else if (one.number < write.number && one.state !== "waiting") await store.remove(one.number);
    }
    if (answer.ok && write.kind === "open") noteOpened(write.visit, answer.headers.get("X-Visit"));
    const news = { ...write, version, status: answer.status, html, ...(answer.ok ? {} : refusal(page)) };
    if (answer.ok && write.kind === "lockout") await free(write);
    if (!answer.ok) await store.put({ ...news, state: "held" });
    else if (write.kind !== "open" && navigator.serviceWorker && navigator.serviceWorker.controller) {
      await store.put({ ...write, files: [], version, state: "sent", sentAt: Number(answer.headers.get("X-At")) });
    } else await store.remove(write.number);
    learn(news);
    tell(news);
    if (others) others.postMessage({ ...news, files: [] });
    queue.trouble = "";
    pause = FIRST_PAUSE;
    await queue.changed();
  };

  const run = async () => {
    for (;;) {
      await renumber();
      const [next] = await mine((write) => write.state === "waiting" && !queue.isBlocked(write));
      if (!next) { queue.trouble = ""; return; }
      if (!(await deliver(await onTop(next)))) return;
    }
  };

  // One tab at a time sends, withdraws or corrects, so that nothing changes under a writing that is on its way.
  let line = Promise.resolve();
  const alone = (act) => {
    if (navigator.locks) return navigator.locks.request("linelog-send", act);
    const done = line.then(act);
    line = done.catch(() => {});
    return done;
  };

  queue.send = () => {
    if (!queue.usable || !person) return;
    if (busy) { again = true; return; }
    busy = true;
    again = false;
    clearTimeout(retry);
    alone(run).catch(() => stop("network")).then(queue.changed).finally(() => {
      busy = false;
      if (again && !queue.trouble) { queue.send(); return; }
      clearTimeout(tidying);
      if (!queue.trouble) { tidying = setTimeout(tidy, QUIET); return; }
      retry = setTimeout(queue.send, pause);
      pause = Math.min(pause * 2, LONGEST_PAUSE);
    });
  };

  // The pages kept for the time without a connection are fetched anew once they lack what was sent.
  const tidy = async () => {
    const sent = await mine((write) => write.state === "sent");
    const pages = new Map();
    for (const write of sent) pages.set(write, await linelog.pagesShowing(write));
    for (const url of new Set([...pages.values()].flat())) {
      const answer = await linelog.keepPage(url).catch(() => null);
      if (!answer || answer.status >= 500 || answer.redirected) return; // later
    }
    for (const write of sent) await store.remove(write.number);
  };

  // Once more: as it is, or over the other version, or as meant where the server asked back.
  queue.resend = async (write) => {
    let { body } = write;
    if (write.theirs !== null && write.version) body = withField(body, "version", write.version);
    if (write.meant) body = withField(body, "meant", write.meant);
    await store.put({ ...write, body, key: linelog.newKey(), state: "waiting", tries: 0, html: "", says: "", waits: "", saidAt: Date.now() });
    await queue.changed();
    queue.send();
  };
  // Whether it can still be taken back or changed here: nothing of it has been sent.
  queue.isOpen = (write) => Boolean(write) && (["held", "prepared"].includes(write.state) || (write.state === "waiting" && !write.asked));
  const ifOpen = (write, act) => alone(async () => {
    const now = await store.get(write.number);
    if (!queue.isOpen(now)) return false;
    if (act === remove && (await dependents(now)).length) return false;
    await act(now);
    return true;
  }).then(async (done) => { await queue.changed(); queue.send(); return done; });
  const remove = (now) => store.remove(now.number);
  queue.withdraw = (write) => ifOpen(write, remove); // a visit only once nothing more waits in it
  queue.correct = (write, values) => ifOpen(write, async (now) => {
    const fields = now.fields.map((field) => ({ ...field, value: values[field.name] }));
    const body = new URLSearchParams(now.body);
    for (const { name, type, value } of fields) if (type === "checkbox" && !value) body.delete(name); else body.set(name, value);
    const next = { ...now, fields, body: body.toString(), key: linelog.newKey(), state: "waiting", tries: 0, html: "", says: "", waits: "", theirs: null };
    await store.put({ ...next, words: linelog.wordsOf(next) });
  });
  queue.drop = async (write) => {
    if ((await dependents(write)).length) return false;
    await store.remove(write.number);
    await queue.changed();
    return true;
  };

  // Waits a little for what can still be sent; says whether all of it is on the server.
  queue.flush = async (most = 3_000) => {
    const until = Date.now() + most;
    const isMoving = () => linelog.adding() || busy || (queue.waiting && !queue.trouble);
    while (isMoving() && Date.now() < until) await new Promise((done) => setTimeout(done, 50));
    return !linelog.adding() && !queue.unsent;
  };

  const now = () => { pause = FIRST_PAUSE; queue.send(); };
  window.addEventListener("online", now);
  document.addEventListener("visibilitychange", () => { if (!document.hidden) now(); });
  // Not before every script of the page listens.
  document.addEventListener("DOMContentLoaded", async () => {
    try { await store.ready; } catch { queue.usable = false; return; }
    await queue.changed();
    queue.send();
  });
})();
