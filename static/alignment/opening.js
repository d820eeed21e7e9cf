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
    if (isThere || !(await caches.match("/visits/new/"))) form.dataset.sure = "1";
    else Object.assign(form.dataset, { queued: "open", target: "opened" });
    form.requestSubmit();
  });
  form.addEventListener("linelog:kept", ({ detail }) => location.assign(`/visits/new/?visit=${detail.visit}&machine=${form.dataset.machine}`));
})();
