// Photos kept in the browser until the server has acknowledged them.
//
// Written before sending, deleted only after the server answered that the photo is
// entered. Each carries the submission key it was made with, so that sending it twice
// enters it once. What became of a photo sent later is kept, too, until somebody has
// seen it: a severe result must not pass by unread. Used by the pages and by the
// service worker alike.
"use strict";

const Queue = (() => {
  const DATABASE = "cardreader";
  const PHOTOS = "photos";
  const RESULTS = "results";
  const RESULT_DAYS = 2; // forgotten after that, seen or not: the register has them

  function open() {
    return new Promise((resolve, reject) => {
      const request = indexedDB.open(DATABASE, 2);
      request.onupgradeneeded = () => {
        for (const store of [PHOTOS, RESULTS]) {
          if (!request.result.objectStoreNames.contains(store)) {
            request.result.createObjectStore(store, { keyPath: "submission_key" });
          }
        }
      };
      request.onsuccess = () => resolve(request.result);
      request.onerror = () => reject(request.error);
    });
  }

  async function run(store, mode, work) {
    const database = await open();
    try {
      return await new Promise((resolve, reject) => {
        // "strict": the browser reports done only when the disk has it.
        const transaction = database.transaction(store, mode, { durability: "strict" });
        const request = work(transaction.objectStore(store));
        transaction.oncomplete = () => resolve(request.result);
        transaction.onerror = transaction.onabort = () => reject(transaction.error);
      });
    } finally {
      database.close();
    }
  }

  const put = (item) => run(PHOTOS, "readwrite", (store) => store.put(item));
  const remove = (key) => run(PHOTOS, "readwrite", (store) => store.delete(key));
  const get = (key) => run(PHOTOS, "readonly", (store) => store.get(key));
  const all = () => run(PHOTOS, "readonly", (store) => store.getAll());
  const forgetResults = () => run(RESULTS, "readwrite", (store) => store.clear());

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

  // Sends one photo. Resolves to {sent: reading}, {waits: why}, {refused: text},
  // {asks: item} where the server wants to know whether it is meant, or {stopped: true}.
  // ``watch``: see ``post``.
  async function send(item, who, watch = {}) {
    if (who === "out") return { waits: "out" };
    if (who === null) return { waits: "signin" };
    // An address of a hotspot may be another register's today.
    if (item.register && item.register !== who.register_id) return { waits: "register" };
    if (item.account_id && item.account_id !== who.account_id) return { waits: "other" };
    const body = new FormData();
    const { visit_id: visit, ...fields } = item.fields;
    for (const [name, value] of Object.entries(fields)) body.append(name, value);
    body.append("submission_key", item.submission_key);
    body.append("taken_at", item.taken_at);
    // What this phone's clock shows now: the server corrects one that is slow or fast.
    body.append("sent_at", new Date().toISOString());
    body.append("photo", new Blob([item.bytes], { type: item.type }), "photo.jpg");
    let answer;
    try {
      answer = await post(visit ? `/api/visits/${visit}/photos` : "/api/photos", body, who.csrf, watch);
    } catch {
      return watch.stop && watch.stop.aborted ? { stopped: true } : { waits: "out" };
    }
    if (answer.status === 200 || answer.status === 201) {
      const reading = JSON.parse(answer.text);
      // Entered, whatever becomes of our copy: sent once more, it would change nothing.
      await remove(item.submission_key).catch(() => {});
      return { sent: reading };
    }
    if (answer.status === 401 || answer.status === 403) return { waits: "signin" };
    if ([404, 409, 413, 422].includes(answer.status)) {
      const said = describe(answer.text);
      if (said.ask) {
        item.ask = { field: said.ask, text: said.text };
        await put(item).catch(() => {});
        return { asks: item };
      }
      item.refused = said.text || String(answer.status);
      await put(item).catch(() => {});
      return { refused: item.refused };
    }
    return { waits: "out" };
  }

  // ``watch.progress(share)`` while the photo travels, ``watch.arrived()`` once it has,
  // ``watch.stop``: an AbortSignal. A service worker can only send, not watch.
  function post(url, body, csrf, watch) {
    if (typeof XMLHttpRequest === "undefined") {
      return fetch(url, { method: "POST", body, headers: { "X-CSRF-Token": csrf } })
        .then(async (answer) => ({ status: answer.status, text: await answer.text() }));
    }
    return new Promise((resolve, reject) => {
      const request = new XMLHttpRequest();
      request.open("POST", url);
      request.setRequestHeader("X-CSRF-Token", csrf);
      request.upload.onprogress = (event) => {
        if (watch.progress && event.lengthComputable) watch.progress(event.loaded / event.total);
      };
      request.upload.onload = () => watch.arrived && watch.arrived();
      request.onload = () => resolve({ status: request.status, text: request.responseText });
      request.onerror = request.onabort = request.ontimeout = () => reject(new Error("not sent"));
      if (watch.stop) watch.stop.addEventListener("abort", () => request.abort());
      request.send(body);
    });
  }

  function describe(text) {
    try {
      const { detail, ask } = JSON.parse(text);
      if (typeof detail === "string") return { text: detail, ask };
      return { text: detail.map((part) => `${part.loc.at(-1)}: ${part.msg}`).join("; ") };
    } catch {
      return { text: "" };
    }
  }

  // Sends all that wait, oldest first, and keeps what became of each.
  let sending = null;
  function flush() {
    sending ??= flushOnce().finally(() => { sending = null; });
    return sending;
  }

  async function flushOnce() {
    const items = (await all()).filter((item) => !item.refused && !item.ask);
    if (!items.length) return;
    const who = await session();
    items.sort((a, b) => a.taken_at.localeCompare(b.taken_at));
    for (const item of items) {
      const outcome = await send(item, who);
      if (outcome.sent) await keepResult(item, outcome.sent).catch(() => {});
      if (outcome.waits === "out" || outcome.waits === "signin") break;
    }
  }

  function keepResult(item, reading) {
    const { url, code, words, rank, hb_g_dl: hb } = reading;
    const { submission_key, account_id, taken_at } = item;
    const at = new Date().toISOString();
    const result = { submission_key, account_id, taken_at, at, url, code, words, rank, hb };
    return run(RESULTS, "readwrite", (store) => store.put(result));
  }

  // What became of an account's photos, the most pressing first.
  async function results(account) {
    const oldest = new Date(Date.now() - RESULT_DAYS * 24 * 3600 * 1000).toISOString();
    const found = await run(RESULTS, "readonly", (store) => store.getAll());
    for (const old of found.filter((result) => result.at < oldest)) {
      await run(RESULTS, "readwrite", (store) => store.delete(old.submission_key));
    }
    return found
      .filter((result) => result.at >= oldest && (!result.account_id || result.account_id === account))
      .sort((a, b) => a.rank - b.rank || a.taken_at.localeCompare(b.taken_at));
  }

  return { put, get, all, remove, newKey, session, send, flush, results, forgetResults };
})();
