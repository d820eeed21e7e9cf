"use strict";
// Photos wait on the tablet like everything else that is typed; those that wait are shown beside the form.
(() => {
  const shown = new Map(); // the address of each picture that waits
  const draw = (writes) => {
    const form = document.querySelector("form[data-queued=photo]"), list = document.querySelector("[data-photos-waiting]");
    if (!form || !list) return;
    const visit = linelog.visitOf(new URL(form.action).pathname);
    const waiting = writes.filter((write) => write.kind === "photo" && write.state !== "sent" && write.person === document.body.dataset.person && linelog.visitOf(write.url) === visit);
    for (const [number, url] of shown) if (!waiting.some((write) => write.number === number)) { URL.revokeObjectURL(url); shown.delete(number); }
    list.replaceChildren(...waiting.map((write) => {
      if (!shown.has(write.number)) shown.set(write.number, URL.createObjectURL(write.files[0].file));
      const item = Object.assign(document.createElement("li"), { className: "photo" });
      const picture = Object.assign(document.createElement("img"), { src: shown.get(write.number), alt: write.words });
      const says = Object.assign(document.createElement("p"), { className: "unsent", textContent: `◷ not sent yet: ${write.words}` });
      item.append(picture, says);
      return item;
    }));
  };
  document.addEventListener("linelog:changed", ({ detail }) => draw(detail.writes));
  document.addEventListener("linelog:kept", ({ target, detail }) => { if (detail.kind === "photo") { target.reset(); delete target.dataset.taken; } });
  // The pictures there are; the form stays as it is, with what is being chosen in it.
  document.addEventListener("linelog:answered", ({ detail: write }) => {
    if (write.kind !== "photo" || write.status >= 300 || !location.pathname.startsWith(linelog.visitOf(write.url))) return;
    const now = new DOMParser().parseFromString(write.html, "text/html").getElementById("photos-kept");
    if (now) document.getElementById("photos-kept")?.replaceWith(now);
  });
  // The visit's page is drawn anew once its lockout is on the server.
  document.addEventListener("linelog:answered", ({ detail: write }) => {
    const isHere = linelog.visitOf(write.url) === location.pathname || location.pathname.startsWith(`${linelog.visitOf(write.url)}lockout/`);
    if (write.kind === "lockout" && write.status < 300 && isHere) location.reload();
  });
})();
