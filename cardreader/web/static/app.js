// Timers, the photo form, the kept photos. Every page works without this file,
// except that photos can then not be kept on the phone.
"use strict";

const account = document.body.dataset;
if (account.account) {
  localStorage.setItem("account", JSON.stringify({ id: account.account, name: account.name }));
}
const lastAccount = () => JSON.parse(localStorage.getItem("account") || "null");

// --- service worker: only where the browser deems the page's origin secure ---------

if ("serviceWorker" in navigator) {
  navigator.serviceWorker.register("/sw.js").catch(() => {});
  // The page kept for later must speak the language chosen now.
  if (localStorage.getItem("language") !== document.documentElement.lang) {
    navigator.serviceWorker.ready
      .then((registration) => registration.active.postMessage("refresh"))
      .then(() => localStorage.setItem("language", document.documentElement.lang));
  }
}

// --- timers ------------------------------------------------------------------------

function clock(seconds) {
  const whole = Math.max(0, Math.ceil(seconds));
  return `${Math.floor(whole / 60)}:${String(whole % 60).padStart(2, "0")}`;
}

function setUpTimer(box) {
  const face = box.querySelector(".timer-face");
  const words = box.querySelector(".timer-words");
  const button = box.querySelector("button");
  const key = `timer-${box.dataset.timer}`;
  const length = Number(box.dataset.seconds);
  // The start is remembered, so that leaving the page doesn't lose the time.
  let start = Number(localStorage.getItem(key)) || null;
  let ticking = null;

  function show() {
    const left = start === null ? length : length - (Date.now() - start) / 1000;
    face.textContent = clock(left);
    if (start !== null && left <= 0) {
      clearInterval(ticking);
      ticking = null;
      box.classList.add("done");
      if (words.textContent !== box.dataset.done) {
        words.textContent = box.dataset.done;
        if (navigator.vibrate) navigator.vibrate([300, 150, 300]);
      }
    }
  }

  function go() {
    box.classList.remove("done");
    words.textContent = box.dataset.running;
    clearInterval(ticking);
    ticking = setInterval(show, 250);
    show();
  }

  button.hidden = false;
  button.addEventListener("click", () => {
    start = Date.now();
    localStorage.setItem(key, String(start));
    go();
  });
  // Forgotten an hour after its end: tomorrow's visit starts fresh.
  if (start !== null && Date.now() - start > (length + 3600) * 1000) {
    localStorage.removeItem(key);
    start = null;
  }
  if (start !== null) go();
}

document.querySelectorAll("[data-timer]").forEach(setUpTimer);

// --- the photo form ----------------------------------------------------------------

function setUpPhotoForm(form) {
  const status = form.querySelector(".form-status");
  const preview = form.querySelector(".preview");
  const input = form.querySelector("input[type=file]");
  const button = form.querySelector("button:not([type])");

  input.addEventListener("change", () => {
    if (preview.src) URL.revokeObjectURL(preview.src);
    preview.hidden = !input.files.length;
    if (input.files.length) preview.src = URL.createObjectURL(input.files[0]);
    form.querySelector(".camera").classList.toggle("taken", Boolean(input.files.length));
  });

  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    button.disabled = true;
    status.textContent = form.dataset.reading;
    try {
      await keepAndSend(form, input.files[0], status);
    } finally {
      button.disabled = false;
    }
  });
}

async function keepAndSend(form, file, status) {
  const who = lastAccount();
  const item = {
    submission_key: Queue.newKey(),
    fields: fieldsOf(form),
    label: form.dataset.label || form.elements.code.value.toUpperCase(),
    account_id: who && who.id,
    account_name: who && who.name,
    taken_at: new Date().toISOString(),
    type: file.type || "image/jpeg",
  };
  let kept = true;
  try {
    // The bytes themselves: a reference to a camera file may point to nothing later.
    item.bytes = await file.arrayBuffer();
    await Queue.put(item);
    if (navigator.storage && navigator.storage.persist) navigator.storage.persist();
  } catch {
    kept = false;
  }
  if (!item.bytes) {
    status.textContent = form.dataset.full;
    return;
  }
  // A phone that can't keep it may still be able to send it now.
  const outcome = await Queue.send(item, await Queue.session());
  if (outcome.sent) {
    location.assign(outcome.sent.url);
    return;
  }
  if (!kept && !outcome.refused) {
    status.textContent = form.dataset.full;
    return;
  }
  if (outcome.refused) status.textContent = `${form.dataset.refused} ${outcome.refused}`;
  else status.textContent = outcome.waits === "signin" ? form.dataset.signin : form.dataset.kept;
  form.reset();
  form.querySelector(".preview").hidden = true;
  form.querySelector(".camera").classList.remove("taken");
  askForSync();
  await refresh();
}

function fieldsOf(form) {
  const fields = {};
  if (form.dataset.visit) {
    fields.visit_id = form.dataset.visit;
    if (form.elements.same_blot && form.elements.same_blot.checked) fields.same_blot = "true";
    return fields;
  }
  fields.code = form.elements.code.value.trim();
  fields.visit_number = form.elements.visit_number.value;
  if (form.elements.gestation_weeks.value) {
    fields.gestation_weeks = form.elements.gestation_weeks.value;
  }
  return fields;
}

async function askForSync() {
  try {
    const registration = await navigator.serviceWorker.ready;
    await registration.sync.register("photos");
  } catch { /* not there in this browser: the pages themselves send */ }
}

document.querySelectorAll(".photo-form").forEach(setUpPhotoForm);

// --- photos that wait ----------------------------------------------------------------

const list = document.getElementById("unsent-list");
const reach = document.getElementById("reach");
const results = [];

async function refresh() {
  const items = await Queue.all();
  const badge = document.getElementById("unsent-badge");
  badge.hidden = !items.length;
  document.getElementById("unsent-count").textContent = String(items.length);
  if (list) showList(items);
  return items;
}

function showList(items) {
  const rows = results.map(resultRow).concat(items.map(itemRow));
  if (!rows.length) {
    const empty = document.createElement("li");
    empty.textContent = list.dataset.empty;
    rows.push(empty);
  }
  list.replaceChildren(...rows);
}

function resultRow(reading) {
  const row = document.createElement("li");
  const link = document.createElement("a");
  link.href = reading.url;
  link.textContent = list.dataset.sent;
  row.append(link);
  return row;
}

function itemRow(item) {
  const row = document.createElement("li");
  const box = document.createElement("div");
  box.className = "item";
  box.append(item.label);
  const note = document.createElement("small");
  const me = lastAccount();
  note.textContent = new Date(item.taken_at).toLocaleString(
    document.documentElement.lang, { dateStyle: "medium", timeStyle: "short" });
  if (item.refused) note.textContent += ` · ${list.dataset.refused} ${item.refused}`;
  else if (item.account_id && me && item.account_id !== me.id) {
    note.textContent += ` · ${list.dataset.other.replace("{name}", item.account_name)}`;
  }
  box.append(note);
  if (item.refused) box.append(discardButton(item));
  row.append(box);
  return row;
}

function discardButton(item) {
  const button = document.createElement("button");
  button.type = "button";
  button.className = "quiet";
  button.textContent = list.dataset.discard;
  button.addEventListener("click", async () => {
    if (button.textContent === list.dataset.discard) {
      button.textContent = list.dataset.sure;
      return;
    }
    await Queue.remove(item.submission_key);
    await refresh();
  });
  return button;
}

async function sendWaiting() {
  const items = await refresh();
  if (reach) {
    const who = await Queue.session();
    reach.textContent =
      who === "out" ? reach.dataset.out : who === null ? reach.dataset.signin : reach.dataset.in;
  }
  if (!items.some((item) => !item.refused)) return;
  results.push(...(await Queue.flush()));
  await refresh();
}

if (document.getElementById("send-now")) {
  document.getElementById("send-now").addEventListener("click", sendWaiting);
}
addEventListener("online", sendWaiting);
setInterval(() => { if (document.visibilityState === "visible") sendWaiting(); }, 15000);
sendWaiting();

const signOut = document.getElementById("sign-out");
if (signOut) {
  signOut.addEventListener("submit", async (event) => {
    const status = signOut.querySelector(".form-status");
    if (signOut.dataset.asked) return;
    event.preventDefault();
    const items = await Queue.all();
    signOut.dataset.asked = "yes";
    if (!items.length) signOut.requestSubmit();
    else status.textContent = signOut.dataset.warn;
  });
}
