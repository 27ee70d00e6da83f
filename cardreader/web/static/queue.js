// Photos kept in the browser until the server has acknowledged them.
//
// Written before sending, deleted only after the server answered that the photo is
// entered. Each carries the submission key it was made with, so that sending it twice
// enters it once. Used by the pages and by the service worker alike.
"use strict";

const Queue = (() => {
  const DATABASE = "cardreader";
  const STORE = "photos";

  function open() {
    return new Promise((resolve, reject) => {
      const request = indexedDB.open(DATABASE, 1);
      request.onupgradeneeded = () =>
        request.result.createObjectStore(STORE, { keyPath: "submission_key" });
      request.onsuccess = () => resolve(request.result);
      request.onerror = () => reject(request.error);
    });
  }

  async function run(mode, work) {
    const database = await open();
    try {
      return await new Promise((resolve, reject) => {
        // "strict": the browser reports done only when the disk has it.
        const transaction = database.transaction(STORE, mode, { durability: "strict" });
        const request = work(transaction.objectStore(STORE));
        transaction.oncomplete = () => resolve(request.result);
        transaction.onerror = transaction.onabort = () => reject(transaction.error);
      });
    } finally {
      database.close();
    }
  }

  const put = (item) => run("readwrite", (store) => store.put(item));
  const remove = (key) => run("readwrite", (store) => store.delete(key));
  const get = (key) => run("readonly", (store) => store.get(key));
  const all = () => run("readonly", (store) => store.getAll());

  function newKey() {
    const bytes = crypto.getRandomValues(new Uint8Array(16));
    return Array.from(bytes, (b) => b.toString(16).padStart(2, "0")).join("");
  }

  // "out": the server can't be reached. null: it can, nobody is signed in.
  async function session() {
    try {
      const answer = await fetch("/api/session", { cache: "no-store" });
      if (answer.status === 401) return null;
      return answer.ok ? await answer.json() : "out";
    } catch {
      return "out";
    }
  }

  // Sends one photo. Resolves to {sent: reading} or {waits: why} or {refused: text}.
  async function send(item, who) {
    if (who === "out") return { waits: "out" };
    if (who === null) return { waits: "signin" };
    if (item.account_id && item.account_id !== who.account_id) return { waits: "other" };
    const body = new FormData();
    const { visit_id: visit, ...fields } = item.fields;
    for (const [name, value] of Object.entries(fields)) body.append(name, value);
    body.append("submission_key", item.submission_key);
    body.append("taken_at", item.taken_at);
    body.append("photo", new Blob([item.bytes], { type: item.type }), "photo.jpg");
    let answer;
    try {
      answer = await fetch(visit ? `/api/visits/${visit}/photos` : "/api/photos", {
        method: "POST",
        body,
        headers: { "X-CSRF-Token": who.csrf },
      });
    } catch {
      return { waits: "out" };
    }
    if (answer.status === 200 || answer.status === 201) {
      const reading = await answer.json();
      // Entered, whatever becomes of our copy: sent once more, it would change nothing.
      await remove(item.submission_key).catch(() => {});
      return { sent: reading };
    }
    if (answer.status === 401 || answer.status === 403) return { waits: "signin" };
    if ([404, 409, 413, 422].includes(answer.status)) {
      const text = await answer.text();
      item.refused = describe(text) || String(answer.status);
      await put(item).catch(() => {});
      return { refused: item.refused };
    }
    return { waits: "out" };
  }

  function describe(text) {
    try {
      const detail = JSON.parse(text).detail;
      if (typeof detail === "string") return detail;
      return detail.map((part) => `${part.loc.at(-1)}: ${part.msg}`).join("; ");
    } catch {
      return "";
    }
  }

  // Sends all that wait, oldest first. Resolves to what was sent.
  let sending = null;
  function flush() {
    sending ??= flushOnce().finally(() => { sending = null; });
    return sending;
  }

  async function flushOnce() {
    const sent = [];
    const items = (await all()).filter((item) => !item.refused);
    if (!items.length) return sent;
    const who = await session();
    items.sort((a, b) => a.taken_at.localeCompare(b.taken_at));
    for (const item of items) {
      const outcome = await send(item, who);
      if (outcome.sent) sent.push(outcome.sent);
      if (outcome.waits === "out" || outcome.waits === "signin") break;
    }
    return sent;
  }

  return { put, get, all, remove, newKey, session, send, flush };
})();
