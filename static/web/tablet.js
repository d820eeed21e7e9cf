"use strict";
// A shared tablet that nobody touches goes back to the PIN page, after a warning.
(() => {
  const dialog = document.getElementById("idle");
  const left = document.getElementById("idle-left");
  const cut = document.getElementById("idle-cut");
  const form = document.getElementById("hand-over");
  const limit = Number(dialog.dataset.seconds) * 1000;
  const warn = Number(dialog.dataset.warn) * 1000;
  const person = dialog.dataset.person;
  let touched = Date.now();
  let told = Date.now();
  let leaving = false;

  const headers = () => ({ "X-CSRFToken": form.elements.csrfmiddlewaretoken.value, "X-Person": person });
  // What the server hears by itself it need not be told again.
  document.addEventListener("htmx:afterRequest", (event) => {
    const passive = event.detail.requestConfig && event.detail.requestConfig.headers["X-Passive"];
    if (event.detail.successful && !passive) told = Date.now();
  });

  const touch = () => {
    if (leaving) return;
    if (Date.now() - touched >= limit) { tick(); return; } // too late, also when the tablet slept meanwhile
    touched = Date.now();
    if (dialog.open) dialog.close();
    if (touched - told > limit / 4) {
      told = touched;
      fetch(dialog.dataset.here, { method: "POST", headers: headers(), redirect: "manual" }).catch(() => {});
    }
  };
  for (const name of ["pointerup", "keydown", "input", "scroll", "wheel"]) {
    document.addEventListener(name, touch, { passive: true, capture: true });
  }

  const handOver = async () => {
    leaving = true;
    // Leaving a field is what saves it; give that a moment on the way.
    if (document.activeElement) document.activeElement.blur();
    await new Promise((done) => setTimeout(done, 0));
    await linelog.queue.flush();
    form.elements.next.value = location.pathname + location.search;
    form.elements.why.value = "time";
    try {
      const answer = await fetch(form.action, { method: "POST", body: new FormData(form) });
      location.assign(answer.url);
    } catch {
      cut.hidden = false;
      leaving = false;
    }
  };

  const tick = () => {
    const rest = limit - (Date.now() - touched);
    if (leaving || rest > warn) return;
    if (!dialog.open) dialog.showModal();
    left.textContent = Math.max(0, Math.ceil(rest / 1000));
    if (rest <= 0) handOver();
  };
  setInterval(tick, 1000);
  document.addEventListener("visibilitychange", tick);
})();
