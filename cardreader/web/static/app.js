// What every page does: the service worker, and the photos that wait on this phone.
// Every page works without scripts, except that photos can then not be kept here.
"use strict";

const account = document.body.dataset;
if (account.account) {
  localStorage.setItem("account", JSON.stringify({ id: account.account, name: account.name, register: account.register }));
}
// By how much this phone's clock is ahead of the server's, as of the last page that it sent.
if (account.account) localStorage.setItem("clock-ahead", String(Date.now() - Number(account.now)));
const clockAhead = () => Number(localStorage.getItem("clock-ahead") ?? NaN);
const lastAccount = () => JSON.parse(localStorage.getItem("account") || "null");

// --- service worker: only where the browser deems the page's origin secure ---------

if ("serviceWorker" in navigator) {
  navigator.serviceWorker.register("/sw.js").catch(() => {});
  // The page kept for later must speak the language chosen now, and look as chosen.
  const looks = `${document.documentElement.lang} ${document.documentElement.dataset.scheme || ""}`;
  if (localStorage.getItem("looks") !== looks) {
    navigator.serviceWorker.ready
      .then((registration) => registration.active.postMessage("refresh"))
      .then(() => localStorage.setItem("looks", looks));
  }
}

// --- photos that wait, and what became of those that were sent -----------------------

const list = document.getElementById("unsent-list");
const arrivedList = document.getElementById("arrived-list");
const reach = document.getElementById("reach");

async function refreshKept() {
  const items = await Queue.all();
  const me = lastAccount();
  const results = me ? await Queue.results(me.id) : [];
  badge("unsent", items.length);
  badge("arrived", results.length);
  // A severe result is seen from every page.
  document.getElementById("arrived-badge").classList.toggle("urgent", results.some((r) => r.rank < 2));
  forgetKept(items, results);
  if (list) {
    showList(items);
    arrivedList.replaceChildren(...results.map(resultRow));
    document.getElementById("arrived").hidden = !results.length;
    const waiting = (await Queue.originals()).length;
    const originals = document.getElementById("originals");
    originals.hidden = !waiting;
    originals.textContent = originals.dataset.words.replace("{count}", String(waiting));
  }
  return items;
}

function badge(name, count) {
  document.getElementById(`${name}-badge`).hidden = !count;
  document.getElementById(`${name}-count`).textContent = String(count);
}

function showList(items) {
  const rows = items.map(itemRow);
  if (!rows.length) {
    const empty = document.createElement("li");
    empty.textContent = list.dataset.empty;
    rows.push(empty);
  }
  list.replaceChildren(...rows);
}

// What the form says of a photo that is kept holds until it is sent.
function forgetKept(items, results) {
  const form = document.querySelector(".photo-form");
  const status = form && form.querySelector(".form-status");
  if (!status || items.length || status.textContent !== form.dataset.kept) return;
  status.textContent = "";
  if (list) return; // which shows them above
  const rows = document.createElement("ul");
  rows.className = "links";
  rows.replaceChildren(...results.map(resultRow));
  status.append(rows);
}

// Dates as the server writes them: in English the day comes first.
const dateLocale = document.documentElement.lang === "en" ? "en-GB" : document.documentElement.lang;
const moment = (text) => new Date(text).toLocaleString(
  dateLocale, { dateStyle: "medium", timeStyle: "short", numberingSystem: "latn" });

function resultRow(result) {
  const row = document.createElement("li");
  const link = document.createElement("a");
  link.href = result.url;
  if (result.rank < 2) link.className = "pressing";
  const words = document.createElement("b");
  words.textContent = result.words;
  const note = document.createElement("small");
  const value = result.hb === null || result.hb === undefined
    ? "" : `\u2066${result.hb.toLocaleString(document.documentElement.lang, {
      minimumFractionDigits: 1, maximumFractionDigits: 1, numberingSystem: "latn" })} g/dL\u2069 · `;
  note.textContent = value + moment(result.taken_at);
  const code = document.createElement("bdi");
  code.textContent = result.code;
  link.append(code, " ", words, note);
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
  note.textContent = moment(item.taken_at);
  const anothers = me && !Queue.isTakenBy(item, me);
  if (item.refused) note.textContent += ` · ${list.dataset.refused} ${item.refused}`;
  if (item.register && me && me.register && item.register !== me.register) {
    note.textContent += ` · ${list.dataset.register}`;
  } else if (anothers) {
    note.textContent += ` · ${list.dataset.other.replace("{name}", item.account_name)}`;
  }
  box.append(note);
  row.append(box);
  // Whose blood it is knows who took the photo; nobody else answers for her, or discards it.
  if (anothers) return row;
  if (item.ask) box.append(question(item, list.dataset, sendWaiting, refreshKept));
  else if (item.refused) box.append(underCode(item, list.dataset, sendWaiting), discardButton(item, list.dataset, refreshKept));
  return row;
}

// The server wants to know whether a photo is meant: yes sends it again, or it is discarded.
function question(item, words, onMeant, onDiscarded) {
  const box = document.createElement("div");
  const text = document.createElement("p");
  text.textContent = item.ask.text;
  const buttons = document.createElement("p");
  buttons.className = "row";
  const meant = document.createElement("button");
  meant.type = "button";
  meant.className = "quiet";
  meant.textContent = words.meant;
  meant.addEventListener("click", async () => {
    meant.disabled = true;
    item.fields[item.ask.field] = "true";
    delete item.ask;
    await Queue.put(item).catch(() => {});
    await onMeant();
  });
  buttons.append(discardButton(item, words, onDiscarded));
  // Which of two women it is she says by the code: a yes would be a slip of the thumb.
  if (item.ask.field === "code_meant") box.append(text, underCode(item, words, onMeant), buttons);
  else {
    buttons.prepend(meant);
    box.append(text, buttons);
  }
  return box;
}

// A photo whose visit is not in the register any more, as after that was put back from a backup,
// or that waits under a doubted code, is sent under the one typed here: nobody pricks her again.
// No form, since it may stand within one.
function underCode(item, words, onSend) {
  const row = document.createElement("div");
  const label = document.createElement("label");
  const code = document.createElement("input");
  Object.assign(code, { maxLength: 24, autocomplete: "off", autocapitalize: "characters", dir: "auto" });
  label.append(words.code, code);
  const send = document.createElement("button");
  send.type = "button";
  send.className = "quiet";
  send.textContent = words.under;
  send.addEventListener("click", async () => {
    const typed = code.value.trim().toUpperCase();
    if (!typed) {
      code.focus();
      return;
    }
    send.disabled = true;
    const { visit_id: _visit, same_blot: _side, code: doubted, ...fields } = item.fields;
    item.fields = { visit_number: "1", ...fields, code: typed };
    if (item.ask && typed === doubted.toUpperCase()) item.fields.code_meant = "true";
    else delete item.fields.code_meant;
    item.label = typed;
    delete item.ask;
    delete item.refused;
    await Queue.put(item).catch(() => {});
    await onSend();
  });
  row.append(label, send);
  return row;
}

function discardButton(item, words, onDiscarded) {
  const button = document.createElement("button");
  button.type = "button";
  button.className = "quiet";
  button.textContent = words.discard;
  button.addEventListener("click", async () => {
    if (button.textContent === words.discard) {
      button.textContent = words.sure;
      return;
    }
    await Queue.remove(item.submission_key);
    await onDiscarded();
  });
  return button;
}

async function sendWaiting() {
  const items = await refreshKept();
  if (reach) {
    const who = await Queue.session();
    reach.textContent =
      who === "out" ? reach.dataset.out : who === null ? reach.dataset.signin : reach.dataset.in;
  }
  const waits = items.some((item) => !item.refused && !item.ask);
  if (!waits && !(await Queue.originals()).length) return;
  await Queue.flush();
  await refreshKept();
}

if (list) {
  document.getElementById("send-now").addEventListener("click", sendWaiting);
  document.getElementById("seen").addEventListener("click", async () => {
    await Queue.forgetResults(lastAccount()?.id);
    await refreshKept();
  });
}
addEventListener("online", sendWaiting);
// Another page may have been opened before it could be shown: then the list tells of it.
Queue.forgetShown(location.pathname)
  .then(() => account.account && Queue.forgetOld(clockAhead()))
  .catch(() => {}).then(sendWaiting);
setInterval(() => { if (document.visibilityState === "visible") sendWaiting(); }, 15000);

// A page that tells of something going on looks again by itself.
const going = document.querySelector("[data-reload]");
if (going) setTimeout(() => location.replace(location.pathname), 1000 * Number(going.dataset.reload));

// A form that asks or finds something wrong may stand far down on a long page.
const wrong = document.querySelector('main form [id$="-problem"]');
if (wrong) {
  wrong.tabIndex = -1;
  wrong.focus({ preventScroll: true });
  wrong.scrollIntoView({ block: "center" });
}

const signOut = document.getElementById("sign-out");
if (signOut) {
  signOut.addEventListener("submit", async (event) => {
    const status = signOut.querySelector(".form-status");
    if (signOut.dataset.asked) return;
    event.preventDefault();
    const items = await Queue.all();
    signOut.dataset.asked = "yes";
    // The phone may go to another hand: no result of hers stays on it.
    await Queue.forgetResults(lastAccount()?.id);
    if (!items.length) signOut.requestSubmit();
    else status.textContent = signOut.dataset.warn;
  });
}
