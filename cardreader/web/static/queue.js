// Photos kept in the browser until the server has acknowledged them.
//
// Written before sending, deleted only after the server answered that the photo is
// entered. Each carries the submission key it was made with, so that sending it twice
// enters it once. What became of a photo sent later is kept, too, until somebody has
// seen it: a severe result must not pass by unread. Used by the pages and by the
// service worker alike.
//
// A larger photo travels in pieces, so that a link that breaks costs the last piece only.
// Where the first pieces show that the whole would take long, a smaller photo goes in its
// place; its original follows when the link is better, if the server keeps photos at all.
"use strict";

const Queue = (() => {
  const DATABASE = "cardreader";
  const PHOTOS = "photos";
  const RESULTS = "results";
  const ORIGINALS = "originals";
  const RESULT_DAYS = 2; // forgotten after that, seen or not: the register has them
  const ORIGINAL_DAYS = 14;
  const ORIGINALS_EVERY_MS = 10 * 60 * 1000;
  const WHOLE = 160 * 1024; // up to here a photo goes in one piece
  const PIECE = { first: 32 * 1024, least: 8 * 1024, most: 1024 * 1024, ms: 1500 };
  const SLOW_MS = 8000; // a link on which the rest of a photo takes longer is slow
  const TRIES = 4;
  const CLOCK_MOVED_MS = 5 * 60 * 1000; // clocks that differ by less are not worth a word

  function open() {
    return new Promise((resolve, reject) => {
      const request = indexedDB.open(DATABASE, 3);
      request.onupgradeneeded = () => {
        for (const store of [PHOTOS, RESULTS, ORIGINALS]) {
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

  // An account's own: what became of another's photos nobody else has seen.
  async function forgetResults(account) {
    const found = await run(RESULTS, "readonly", (store) => store.getAll());
    for (const result of found.filter((one) => isOf(one, account))) {
      await run(RESULTS, "readwrite", (store) => store.delete(result.submission_key));
    }
  }

  const isOf = (one, account) => !one.account_id || one.account_id === account;

  function newKey() {
    const bytes = crypto.getRandomValues(new Uint8Array(16));
    return Array.from(bytes, (b) => b.toString(16).padStart(2, "0")).join("");
  }

  // "out": the server can't be reached. null: it can, nobody is signed in.
  async function session() {
    try {
      const answer = await fetch("/api/session", { cache: "no-store" });
      if (answer.status === 401) return null;
      if (!answer.ok) return "out";
      const ahead_ms = Date.now() - Date.parse(answer.headers.get("Date"));
      return { ...(await answer.json()), ahead_ms };
    } catch {
      return "out";
    }
  }

  // Sends one photo. Resolves to {sent: reading}, {waits: why}, {refused: text},
  // {asks: item} where the server wants to know whether it is meant, or {stopped: true}.
  // ``watch``: see ``post``. What became of it is kept for the list of results; where the
  // sender goes on to its page (``watch.goes``), until that page is there: see ``forgetShown``.
  function send(item, who, watch = {}) {
    return alone(item.submission_key, watch, () => sendAlone(item, who, watch));
  }

  // Keeps a photo and sends it in one turn, so that no other sender takes it up in between.
  // Resolves as ``send`` does, and to {kept}: whether this phone had room for it.
  function keepAndSend(item, watch) {
    return alone(item.submission_key, watch, async () => {
      const kept = await put(item).then(() => true, () => false);
      return { kept, ...(await sendAlone(item, await session(), watch)) };
    });
  }

  // One sender at a time for a photo: the form, the pages' regular try and the service worker
  // would each bring its pieces, at half the speed, and one that makes it smaller would begin
  // it anew under the other's hands. A form waits for its turn; the others leave it:
  // {waits: "underway"}. Where there are no locks, on an unsecured page, there is no worker.
  const underway = new Map();
  async function alone(key, watch, work) {
    if (navigator.locks) {
      const how = watch.goes ? { signal: watch.stop } : { ifAvailable: true };
      return navigator.locks
        .request(`photo-${key}`, how, (lock) => (lock ? work() : { waits: "underway" }))
        .catch((error) => {
          if (watch.stop && watch.stop.aborted) return { stopped: true };
          throw error;
        });
    }
    const before = underway.get(key);
    if (before && !watch.goes) return { waits: "underway" };
    const turn = Promise.resolve(before).catch(() => {}).then(work);
    underway.set(key, turn);
    try {
      return await turn;
    } finally {
      if (underway.get(key) === turn) underway.delete(key);
    }
  }

  async function sendAlone(item, who, watch) {
    if (who === "out") return { waits: "out" };
    if (who === null) return { waits: "signin" };
    // An address of a hotspot may be another register's today.
    if (item.register && item.register !== who.register_id) return { waits: "register" };
    if (!isTakenBy(item, { id: who.account_id, name: who.name })) return { waits: "other" };
    // Put back from a backup the register may know her by a new account.
    if (item.account_id) item.account_id = who.account_id;
    const body = new FormData();
    const { visit_id: visit, ...fields } = item.fields;
    for (const [name, value] of Object.entries(fields)) body.append(name, value);
    body.append("submission_key", item.submission_key);
    body.append("taken_at", item.taken_at);
    // What this phone's clock shows now: the server corrects one that is slow or fast.
    body.append("sent_at", new Date().toISOString());
    // Set anew since, by hand or by a network: the time between the two is anybody's guess.
    if (Math.abs(who.ahead_ms - item.clock_ahead_ms) > CLOCK_MOVED_MS) body.append("clock_moved", "true");
    let answer;
    try {
      answer = await deliver(item, visit ? `/api/visits/${visit}/photos` : "/api/photos", body, who, watch);
    } catch {
      if (!watch.stop || !watch.stop.aborted) return { waits: "out" };
      fetch(`/api/uploads/${item.submission_key}`, { method: "DELETE", headers: headersOf(who) }).catch(() => {});
      return { stopped: true };
    }
    if (answer.status === 200 || answer.status === 201) {
      const reading = JSON.parse(answer.text);
      if (item.smaller && item.smaller.sha256 && who.keeps_photos) {
        await keepOriginal(item, reading, who).catch(() => {});
      }
      // Before our copy goes: a page that is left in between would tell nobody.
      const keep = () => keepResult(item, reading, who, Boolean(watch.goes)).then(() => true, () => false);
      const kept = await keep();
      // Entered, whatever becomes of our copy: sent once more, it would change nothing.
      await remove(item.submission_key).catch(() => {});
      // Of a phone that is full the photo's own place is what there is.
      if (!kept) await keep();
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
    // The server stumbled over this one, or has no room: the others go before it the next time.
    item.stumbled = (item.stumbled || 0) + 1;
    await put(item).catch(() => {});
    return { waits: "out" };
  }

  // Whether a photo was taken by who is signed in: names are each one account's in a register.
  function isTakenBy(item, me) {
    return !item.account_id || item.account_id === me.id || item.account_name === me.name;
  }

  // Sends the photo, in pieces if it is large, and then the form.
  async function deliver(item, url, body, who, watch) {
    if (bytesOf(item).byteLength <= WHOLE) {
      body.append("photo", new Blob([bytesOf(item)], { type: item.type }), "photo.jpg");
      return post(url, body, who.csrf, watch);
    }
    body.append("uploaded", "true");
    for (let turn = 0; ; turn++) {
      const carried = await carry(
        item.submission_key, bytesOf(item), who, watch, mayBeSmaller(item) ? SLOW_MS : Infinity);
      if (carried === "slow") {
        await makeSmaller(item, watch);
        continue;
      }
      if (carried) return carried;
      // From here on it is this file that is sent under this key, however often.
      if (!item.settled) {
        item.settled = true;
        await put(item).catch(() => {});
      }
      const answer = await post(url, body, who.csrf, watch);
      // The server was started anew between the last piece and the form.
      if (answer.status !== 410 || turn >= TRIES) return answer;
    }
  }

  const bytesOf = (item) => (item.smaller ? item.smaller.bytes : item.bytes);
  const mayBeSmaller = (item) => Boolean(self.makeSmallerPhoto) && !item.smaller && !item.settled && !item.unreducible;
  const headersOf = (who) => ({ "X-CSRF-Token": who.csrf });

  async function makeSmaller(item, watch) {
    const smaller = await self.makeSmallerPhoto(new Blob([item.bytes], { type: item.type })).catch(() => null);
    if (smaller) {
      item.smaller = smaller;
      if (watch.smaller) watch.smaller();
    } else item.unreducible = true;
    await put(item).catch(() => {});
  }

  // Brings the bytes to the server piece by piece. Resolves to nothing once they are there,
  // to "slow" where the rest would take longer than ``patience`` ms, or to an answer that says no.
  async function carry(key, bytes, who, watch, patience) {
    const path = `/api/uploads/${key}`;
    const total = bytes.byteLength;
    let at = null;
    let size = PIECE.first;
    let failures = 0;
    if (patience !== Infinity && navigator.connection && navigator.connection.saveData) return "slow";
    for (;;) {
      try {
        if (at === null) {
          const known = await ask(path, { signal: watch.stop });
          if (known.refused) return known.refused;
          if (known.entered) return null;
          at = Math.min(known.received, total);
        }
        if (at >= total) return null;
        const began = Date.now();
        const piece = bytes.slice(at, at + size);
        const known = await ask(`${path}?size=${total}&offset=${at}`,
          { method: "PUT", body: piece, headers: headersOf(who), signal: watch.stop });
        if (known.refused) return known.refused;
        const took = Math.max(Date.now() - began, 1);
        at = known.received;
        failures = 0;
        if (watch.progress) watch.progress(at / total);
        // The first piece carries the making of the connection, too.
        if (piece.byteLength > PIECE.first / 2 && ((total - at) * took) / piece.byteLength > patience) return "slow";
        size = Math.round(Math.min(PIECE.most, 4 * size, Math.max(PIECE.least, (size * PIECE.ms) / took)));
      } catch (error) {
        if ((watch.stop && watch.stop.aborted) || ++failures > TRIES) throw error;
        await new Promise((resolve) => { setTimeout(resolve, 500 * 2 ** failures); });
        // What of the piece came through is for the server to say.
        size = Math.max(PIECE.least, size >> 1);
        at = null;
      }
    }
  }

  async function ask(path, options) {
    const answer = await fetch(path, { cache: "no-store", ...options });
    if (answer.ok) return answer.json();
    if (answer.status >= 500 || answer.status === 429) throw new Error(String(answer.status));
    return { refused: { status: answer.status, text: await answer.text() } };
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

  // Sends all that wait, the oldest of those first that the server has not stumbled over, and keeps what became of each.
  let sending = null;
  function flush() {
    sending ??= flushOnce().finally(() => { sending = null; });
    return sending;
  }

  async function flushOnce() {
    const items = (await all()).filter((item) => !item.refused && !item.ask);
    const later = Date.now() - originalsTried > ORIGINALS_EVERY_MS && (await originals()).length;
    if (!items.length && !later) return;
    const who = await session();
    items.sort((a, b) => (a.stumbled || 0) - (b.stumbled || 0) || a.taken_at.localeCompare(b.taken_at));
    for (const item of items) {
      const outcome = await send(item, who);
      if (outcome.waits === "out" || outcome.waits === "signin") return;
    }
    if (later && who && who !== "out") await sendOriginals(who);
  }

  // --- originals of photos that went smaller ----------------------------------------------

  let originalsTried = 0;
  const originals = () => run(ORIGINALS, "readonly", (store) => store.getAll());
  const forgetOriginal = (key) => run(ORIGINALS, "readwrite", (store) => store.delete(key));

  // Now by the server's clock, as far as it is known.
  const nowBy = (ahead_ms) => Date.now() - (Math.abs(ahead_ms) >= 0 ? ahead_ms : 0);

  function keepOriginal(item, reading, who) {
    const { submission_key, account_id, register, bytes } = item;
    const at = new Date(nowBy(who.ahead_ms)).toISOString();
    const original = { submission_key, account_id, register, bytes, at, reading_id: reading.id };
    return run(ORIGINALS, "readwrite", (store) => store.put(original));
  }

  async function sendOriginals(who) {
    originalsTried = Date.now();
    const oldest = new Date(nowBy(who.ahead_ms) - ORIGINAL_DAYS * 24 * 3600 * 1000).toISOString();
    for (const original of await originals()) {
      if (original.at < oldest) {
        await forgetOriginal(original.submission_key);
        continue;
      }
      if (original.account_id !== who.account_id || original.register !== who.register_id) continue;
      const key = `${original.submission_key}-o`;
      const carried = await carry(key, original.bytes, who, {}, SLOW_MS).catch(() => "out");
      if (carried) return;
      const answer = await fetch(`/api/readings/${original.reading_id}/original`, {
        method: "POST",
        body: JSON.stringify({ upload_key: key }),
        headers: { ...headersOf(who), "Content-Type": "application/json" },
      }).catch(() => null);
      if (!answer || ![204, 404, 409].includes(answer.status)) return;
      await forgetOriginal(original.submission_key);
    }
  }

  function keepResult(item, reading, who, goes) {
    const { url, code, words, rank, hb_g_dl: hb } = reading;
    const { submission_key, account_id, taken_at } = item;
    const at = new Date(nowBy(who.ahead_ms)).toISOString();
    const result = { submission_key, account_id, taken_at, at, url, code, words, rank, hb, goes };
    return run(RESULTS, "readwrite", (store) => store.put(result));
  }

  // What this page shows of a photo that was sent from its form needs no telling.
  async function forgetShown(url) {
    const found = await run(RESULTS, "readonly", (store) => store.getAll());
    for (const result of found.filter((one) => one.goes && one.url === url)) {
      await run(RESULTS, "readwrite", (store) => store.delete(result.submission_key));
    }
  }

  // Forgets what is old by the server's clock, ``ahead_ms`` as its page has just told: by the
  // phone's own, set meanwhile, a severe result would go that nobody has seen.
  async function forgetOld(ahead_ms) {
    const oldest = new Date(nowBy(ahead_ms) - RESULT_DAYS * 24 * 3600 * 1000).toISOString();
    const found = await run(RESULTS, "readonly", (store) => store.getAll());
    for (const old of found.filter((result) => result.at < oldest)) {
      await run(RESULTS, "readwrite", (store) => store.delete(old.submission_key));
    }
  }

  // What became of an account's photos, the most pressing first.
  async function results(account) {
    const found = await run(RESULTS, "readonly", (store) => store.getAll());
    return found
      .filter((result) => isOf(result, account))
      .sort((a, b) => a.rank - b.rank || a.taken_at.localeCompare(b.taken_at));
  }

  return { put, get, all, remove, newKey, isTakenBy, session, send, keepAndSend, flush, results, forgetShown, forgetOld, forgetResults, originals };
})();
