"use strict";
// A signing is prepared without a network: what will be signed is then shown, and signed, when all of it is on the
// server. Nothing of the proof is kept.
(() => {
  const { person = "", personName = "" } = document.body.dataset;
  const isTemporary = (url) => !/^\/visits\/\d+\//.test(url);
  document.addEventListener("click", async (event) => {
    const link = event.target.closest("a[data-sign]");
    if (!link || !linelog.queue.usable) return;
    event.preventDefault();
    const url = link.getAttribute("href");
    await linelog.queue.flush();
    const writes = await linelog.store.all(), visit = linelog.visitOf(url);
    const waits = writes.some((one) => one.state === "waiting" && one.person === person && linelog.visitOf(one.url) === visit);
    if (!isTemporary(url) && !waits && (await linelog.reaches())) { location.assign(url); return; }
    if (writes.some((one) => one.kind === "sign" && one.url === url && one.person === person)) return;
    await linelog.store.add({
      key: linelog.newKey(), person, personName, kind: "sign", label: link.dataset.sign, words: "", url, page: linelog.ownPage(), field: "",
      machine: "", body: "", fields: [], files: [], state: "prepared", tries: 0, typedAt: Date.now(), tab: linelog.tab,
    });
    await linelog.queue.changed();
    document.getElementById("unsent").scrollIntoView({ block: "nearest" });
  });
})();
