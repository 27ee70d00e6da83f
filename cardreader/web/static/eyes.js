// The worker that looks at pictures, as the pages ask it. Without one nothing is said.
"use strict";

const Eyes = (() => {
  const PATIENCE_MS = 8000; // a phone that takes longer is not to be waited for
  let worker = null;
  let last = 0;
  const waiting = new Map();

  function started() {
    if (worker) return worker;
    worker = new Worker("/static/look.js");
    worker.addEventListener("message", ({ data: { id, answer } }) => settle(id, answer));
    worker.addEventListener("error", () => {
      for (const id of [...waiting.keys()]) settle(id, undefined);
    });
    return worker;
  }

  function settle(id, answer) {
    const done = waiting.get(id);
    waiting.delete(id);
    if (done) done(answer ?? null);
  }

  // The worker's answer, or null where it has none.
  function ask(message, transfer = [], patience = PATIENCE_MS) {
    if (typeof Worker === "undefined" || typeof OffscreenCanvas === "undefined") return Promise.resolve(null);
    return new Promise((resolve) => {
      const id = ++last;
      waiting.set(id, resolve);
      setTimeout(() => settle(id, null), patience);
      try {
        started().postMessage({ id, ...message }, transfer);
      } catch {
        settle(id, null);
      }
    });
  }

  // The smaller photo for a slow link, for the queue.
  self.makeSmallerPhoto = (blob) => ask({ task: "reduce", blob }, [], 30000);

  return {
    // What is wrong with a photo, before it is sent.
    look: (blob) => ask({ task: "look", blob }),
    // The same of a frame of the camera; the bitmap is handed over.
    frame: (bitmap) => ask({ task: "frame", bitmap }, [bitmap]),
  };
})();
