"use strict";
// The tablet's own store of what was typed: in order, and on its disk before anything is sent. A writing is
//   waiting  until the server has answered,
//   held     where the server did not accept it, until its person has decided,
//   sent     until the page kept for the time without a connection shows it too.
window.linelog = {};
linelog.newKey = () => {
  const bytes = crypto.getRandomValues(new Uint8Array(16));
  return [...bytes].map((byte) => byte.toString(16).padStart(2, "0")).join("");
};
// The visit an address speaks of, by its number or by the temporary one of a visit that is not on the server yet.
linelog.visitOf = (url) => (url.match(/^\/visits\/(\d+|new-[0-9a-f]+)\//) || [""])[0];
linelog.tab = linelog.newKey(); // this page as long as it is open
linelog.store = (() => {
  const opening = new Promise((resolve, reject) => {
    if (!window.indexedDB) { reject(new Error("this browser keeps nothing")); return; }
    const asked = indexedDB.open("linelog", 1);
    asked.onupgradeneeded = () => asked.result.createObjectStore("writes", { keyPath: "number", autoIncrement: true });
    asked.onsuccess = () => resolve(asked.result);
    asked.onerror = () => reject(asked.error);
  });
  const run = async (mode, act) => {
    const base = await opening;
    return new Promise((resolve, reject) => {
      const change = base.transaction("writes", mode, { durability: "strict" });
      const asked = act(change.objectStore("writes"));
      change.oncomplete = () => resolve(asked.result);
      change.onabort = () => reject(change.error);
    });
  };
  opening.catch(() => {}); // then every form goes straight to the server
  return {
    ready: opening,
    all: () => run("readonly", (writes) => writes.getAll()),
    get: (number) => run("readonly", (writes) => writes.get(number)),
    add: (write) => run("readwrite", (writes) => writes.add(write)),
    put: (write) => run("readwrite", (writes) => writes.put(write)),
    remove: (number) => run("readwrite", (writes) => writes.delete(number)),
  };
})();
