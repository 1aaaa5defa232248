"use strict";
(() => {
  const key = `setup-sheet-ticks:${document.body.dataset.sheet}`;
  const boxes = [...document.querySelectorAll(".step input")];
  const name = (box) => box.closest(".step").id;
  const count = document.querySelector("output");
  const read = () => {
    try {
      return new Set(JSON.parse(localStorage.getItem(key) || "[]"));
    } catch {
      return new Set();
    }
  };
  const keep = () => {
    const done = boxes.filter((box) => box.checked).map(name);
    count.textContent = String(done.length);
    try {
      localStorage.setItem(key, JSON.stringify(done));
    } catch {
      /* no room or not allowed: the ticks stay until the page is closed */
    }
  };
  const done = read();
  for (const box of boxes) {
    box.checked = done.has(name(box));
    box.addEventListener("change", keep);
  }
  document.querySelector("button").addEventListener("click", () => {
    for (const box of boxes) box.checked = false;
    keep();
  });
  for (const part of document.querySelectorAll(".ticks")) part.hidden = false;
  keep();

  // kept for where there is no network, as far as the browser allows it here
  const { offline } = document.body.dataset;
  if (offline && "serviceWorker" in navigator) {
    const script = new URL(offline, location.href);
    const scope = new URL("../setup-sheet", script).pathname;
    navigator.serviceWorker
      .register(script, { scope })
      .then(() => navigator.serviceWorker.ready)
      .then((worker) => worker.active.postMessage(location.href))
      .catch(() => {});
  }
  const told = document.querySelector(".offline");
  const tell = () => {
    told.hidden = navigator.onLine;
  };
  addEventListener("online", tell);
  addEventListener("offline", tell);
  tell();
})();
