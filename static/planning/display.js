"use strict";
// A display on the wall refreshes itself; while it cannot, it says how old it is.
(() => {
  const EVERY_MS = 60000;
  const stale = document.getElementById("stale");
  async function refresh() {
    try {
      const answer = await fetch(location.href, { cache: "no-store", credentials: "omit" });
      if (!answer.ok) throw new Error(String(answer.status));
      const page = new DOMParser().parseFromString(await answer.text(), "text/html");
      const next = page.getElementById("display");
      if (!next) throw new Error("not a display");
      document.getElementById("display").replaceWith(next);
      document.documentElement.className = next.dataset.look;
      stale.hidden = true;
    } catch {
      stale.querySelector("span").textContent = document.querySelector("#display time").textContent;
      stale.hidden = false;
    }
  }
  setInterval(refresh, EVERY_MS);
})();
