"use strict";
// A page left open learns within a few seconds that somebody ended the lockout, or verified it again. It is said in the
// lockout's own place; the number pad stays where it is. Nothing is asked while the page is hidden or just answered.
(() => {
  const EVERY_MS = 4_000;
  let asked = Date.now(), isAsking = false;

  const place = () => document.getElementById("lockout-now");
  const say = (html) => {
    const now = new DOMParser().parseFromString(html, "text/html").getElementById("lockout-now");
    if (!now) return;
    const clock = document.getElementById("clock"), section = place().parentElement;
    const top = () => (clock ? clock.getBoundingClientRect().top : 0);
    const before = top();
    section.style.minHeight = `${section.offsetHeight}px`;
    place().replaceWith(now);
    window.scrollBy(0, top() - before); // longer words push nothing under a finger
    linelog.stand?.();
  };
  const ask = async () => {
    const here = place();
    if (!here || isAsking || document.hidden || !navigator.onLine || Date.now() - asked < EVERY_MS) return;
    isAsking = true;
    const headers = { "X-Passive": "1", "If-None-Match": `"${here.dataset.mark}"` };
    try {
      const answer = await fetch(here.dataset.now, { headers, signal: AbortSignal.timeout(EVERY_MS) });
      if (answer.ok && !answer.redirected && here === place()) say(await answer.text());
    } catch { /* no network: asked again */ }
    asked = Date.now();
    isAsking = false;
  };
  setInterval(ask, 1_000);
  document.addEventListener("visibilitychange", () => { asked = 0; ask(); });
  document.addEventListener("linelog:answered", () => { asked = Date.now(); });
})();
