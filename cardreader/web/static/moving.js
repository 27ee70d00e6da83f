// Photos kept under an earlier address of the register are found again under a new one.
//
// A browser keeps what a page stores for its address alone. So the page of the new
// address opens that of the earlier one, which the phone still has without any server,
// and is given its photos: after a question there, and only to an address of a private
// network. A photo is removed from the earlier address once the new one has it.
"use strict";

(() => {
  const elsewhere = document.getElementById("elsewhere");
  const giving = document.getElementById("giving");
  if (!elsewhere) return;

  function isPrivate(origin) {
    let url;
    try {
      url = new URL(origin);
    } catch {
      return false;
    }
    const parts = url.hostname.split(".").map(Number);
    if (url.origin !== origin) return false;
    if (url.hostname === "localhost" || /^[a-z0-9-]+\.local$/.test(url.hostname)) return true;
    if (parts.length !== 4 || parts.some((n) => !Number.isInteger(n) || n < 0 || n > 255)) return false;
    const [a, b] = parts;
    return a === 10 || a === 127 || (a === 192 && b === 168) || (a === 172 && b >= 16 && b < 32)
      || (a === 100 && b >= 64 && b < 128);
  }

  function button(text, onClick) {
    const made = document.createElement("button");
    made.type = "button";
    made.className = "quiet";
    made.textContent = text;
    made.addEventListener("click", onClick);
    return made;
  }

  // --- the new address: asks, and takes -------------------------------------------------

  const asked = new Set();
  const others = JSON.parse(elsewhere.dataset.origins)
    .filter((origin) => origin !== location.origin && isPrivate(origin));
  elsewhere.hidden = !others.length;
  elsewhere.querySelector(".row").append(...others.map((origin) =>
    button(elsewhere.dataset.look.replace("{address}", new URL(origin).host), () => {
      asked.add(origin);
      window.open(`${origin}/unsent#give=${encodeURIComponent(location.origin)}`);
    })));

  async function take(items, who) {
    const keys = [];
    for (const item of items) {
      if (!/^[A-Za-z0-9_-]{8,64}$/.test(item.submission_key) || !(item.bytes instanceof ArrayBuffer)) continue;
      // Another register's photo stays where it is.
      if (item.register && item.register !== who.register_id) continue;
      await Queue.put(item);
      keys.push(item.submission_key);
    }
    return keys;
  }

  addEventListener("message", async (event) => {
    const { kind, items } = event.data || {};
    if (kind !== "kept photos" || !asked.has(event.origin) || !Array.isArray(items)) return;
    const status = elsewhere.querySelector(".form-status");
    const who = await Queue.session();
    if (who === null || who === "out") {
      status.textContent = elsewhere.dataset.signin;
      return;
    }
    const keys = await take(items, who);
    event.source.postMessage({ kind: "photos taken", keys }, event.origin);
    status.textContent = elsewhere.dataset.taken.replace("{count}", String(keys.length));
    await sendWaiting();
  });

  // --- the earlier address: asks its owner, and gives -----------------------------------

  async function give(to) {
    const items = await Queue.all();
    giving.hidden = false;
    const words = giving.querySelector("p");
    words.textContent = giving.dataset.question
      .replace("{count}", String(items.length)).replace("{address}", new URL(to).host);
    if (!items.length) return;
    giving.querySelector(".row").append(button(giving.dataset.yes, (event) => {
      event.target.disabled = true;
      window.opener.postMessage({ kind: "kept photos", items }, to);
    }));
    addEventListener("message", async (event) => {
      if (event.origin !== to || !event.data || event.data.kind !== "photos taken") return;
      for (const key of event.data.keys) await Queue.remove(key);
      words.textContent = giving.dataset.done.replace("{count}", String(event.data.keys.length));
      await refreshKept();
    });
  }

  const wanted = new URLSearchParams(location.hash.slice(1)).get("give");
  if (wanted && window.opener && isPrivate(wanted) && wanted !== location.origin) give(wanted);
})();
