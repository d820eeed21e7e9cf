"use strict";
// A visit is opened on the server; where that can't be reached it is kept on the tablet, and its work goes on there.
(() => {
  const form = document.getElementById("opened");
  form.addEventListener("submit", async (event) => {
    if (form.dataset.sure || form.dataset.queued || !linelog.queue.usable) return;
    event.preventDefault();
    event.stopImmediatePropagation();
    const button = form.querySelector("button");
    button.disabled = true;
    const isThere = await linelog.reaches();
    button.disabled = false;
    const canWait = !isThere && window.caches && (await caches.match("/visits/new/"));
    Object.assign(form.dataset, canWait ? { queued: "open", target: "opened" } : { sure: "1" });
    form.requestSubmit();
    delete form.dataset.sure; // pressed again, it is asked again
  });
  form.addEventListener("linelog:kept", ({ detail }) => location.assign(`/visits/new/?visit=${detail.visit}&machine=${form.dataset.machine}`));
})();
