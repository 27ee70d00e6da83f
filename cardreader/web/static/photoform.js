// The form that takes a photo: kept on the phone first, then sent.
"use strict";

(() => {
  function setUp(form) {
    const preview = form.querySelector(".preview");
    const input = form.querySelector("input[type=file]");

    const chosen = () => {
      if (preview.src) URL.revokeObjectURL(preview.src);
      preview.hidden = !input.files.length;
      if (input.files.length) preview.src = URL.createObjectURL(input.files[0]);
      form.querySelector(".camera").classList.toggle("taken", Boolean(input.files.length));
      lookAt(form, input.files[0]);
      askIfDamp(form, Boolean(input.files.length));
    };
    input.addEventListener("change", chosen);
    // One chosen before this script had come, or given back by the browser, tells of no change.
    if (input.files.length) chosen();

    const damp = form.querySelector(".damp");
    damp.querySelector(".damp-again").addEventListener("click", () => empty(form));
    damp.querySelector(".damp-dry").addEventListener("click", () => {
      damp.hidden = true;
      if (!dryingTimer().started()) localStorage.setItem(UNTIMED, today());
    });

    // As the server takes them: figures of any script, and the dashes that keyboards make.
    for (const field of form.querySelectorAll("[inputmode=numeric], [name=code]")) {
      const plainly = (event) => {
        const plain = withPlainDigits(field.value).replace(/[\u2010-\u2014\u2212]/g, "-");
        if (!event.isComposing && plain !== field.value) field.value = plain;
      };
      field.addEventListener("input", plainly);
      field.addEventListener("change", plainly);
    }

    Framing.setUp(form, (file) => {
      const one = new DataTransfer();
      one.items.add(file);
      input.files = one.files;
      input.dispatchEvent(new Event("change"));
    });

    form.addEventListener("submit", async (event) => {
      event.preventDefault();
      if (!damp.hidden) {
        damp.querySelector("button").focus();
        return;
      }
      // It is emptied once this photo is kept: what was entered for the next one would be lost.
      const fields = [...form.elements].filter((field) => !field.disabled && !field.matches(".stop"));
      for (const field of fields) field.disabled = true;
      say(form, "");
      try {
        await keepAndSend(form, input.files[0]);
      } finally {
        for (const field of fields) field.disabled = false;
      }
    });
  }

  // Digits of other scripts as 0 to 9. Unicode lays the digits of a script side by side from
  // its zero on (The Unicode Standard, 4.6), so that a run of them begins with one.
  function withPlainDigits(text) {
    return text.replace(/\p{Nd}/gu, (sign) => {
      const code = sign.codePointAt(0);
      let zero = code;
      while (/\p{Nd}/u.test(String.fromCodePoint(zero - 1))) zero--;
      return String((code - zero) % 10);
    });
  }

  // What would keep the reader from reading it is said before it is sent, while the card and
  // the blot still lie there. It can be sent all the same.
  async function lookAt(form, file) {
    const box = form.querySelector(".looked");
    const advice = JSON.parse(box.dataset.advice);
    box.hidden = true;
    box.dataset.seen = "";
    const seen = file ? await Eyes.look(file) : null;
    // Another may have been chosen meanwhile.
    if (form.querySelector("input[type=file]").files[0] !== file) return;
    box.dataset.seen = JSON.stringify(seen);
    const words = seen && seen.reason && advice[seen.reason];
    if (!words) return;
    box.querySelector("b").textContent = words;
    box.hidden = false;
  }

  // A damp blot reads high, and no photo shows it: one taken while the timer runs is not sent
  // before she has answered. Without network one timer serves all women, so it may be another's.
  // Who times it otherwise, and starts none, is asked once a day and phone.
  const UNTIMED = "dried-untimed-on";
  const today = () => new Date().toDateString();
  const dryingTimer = () => document.querySelector("[data-timer^=drying]");

  function askIfDamp(form, taken) {
    const damp = form.querySelector(".damp");
    const timer = dryingTimer();
    const again = form.elements.same_blot && form.elements.same_blot.checked;
    const untimed = !timer.started() && !again && localStorage.getItem(UNTIMED) !== today();
    damp.querySelector(".damp-running").hidden = !timer.runs();
    damp.querySelector(".damp-untimed").hidden = timer.runs();
    damp.hidden = !taken || !(timer.runs() || untimed);
  }

  async function keepAndSend(form, file) {
    const who = lastAccount();
    const item = {
      submission_key: Queue.newKey(),
      fields: fieldsOf(form),
      label: form.dataset.label || form.elements.code.value.toUpperCase(),
      account_id: who && who.id,
      account_name: who && who.name,
      register: who && who.register,
      taken_at: new Date().toISOString(),
      clock_ahead_ms: clockAhead(),
      type: file.type || "image/jpeg",
    };
    try {
      // The bytes themselves: a reference to a camera file may point to nothing later.
      item.bytes = await file.arrayBuffer();
    } catch {
      say(form, form.dataset.full);
      return;
    }
    if (navigator.storage && navigator.storage.persist) navigator.storage.persist();
    // A phone that can't keep it may still be able to send it now.
    await sendNow(form, item, Queue.keepAndSend);
  }

  const sendAgain = async (item, watch) => Queue.send(item, await Queue.session(), watch);

  async function sendNow(form, item, send) {
    const way = journey(form);
    const outcome = await send(item, way.watch);
    way.end();
    if (outcome.sent) {
      location.assign(outcome.sent.url);
      return;
    }
    if (outcome.stopped) {
      await Queue.remove(item.submission_key).catch(() => {});
      say(form, form.dataset.stopped);
      await refreshKept();
      return;
    }
    if (outcome.asks) {
      say(form, "");
      form.querySelector(".form-status").append(
        question(item, form.dataset, () => sendNow(form, item, sendAgain), () => emptied(form)));
      await refreshKept();
      return;
    }
    if (outcome.kept === false && !outcome.refused) {
      say(form, form.dataset.full);
      return;
    }
    if (outcome.refused) say(form, `${form.dataset.refused} ${outcome.refused}`);
    else say(form, outcome.waits === "signin" ? form.dataset.signin : form.dataset.kept);
    empty(form);
    askForSync();
    await refreshKept();
  }

  // What is said while a photo travels; it can be stopped until it has arrived.
  function journey(form) {
    const bar = form.querySelector("progress");
    const stop = form.querySelector(".stop");
    const control = new AbortController();
    const cancel = () => control.abort();
    bar.removeAttribute("value");
    bar.hidden = stop.hidden = false;
    stop.addEventListener("click", cancel);
    say(form, form.dataset.sending);
    return {
      watch: {
        goes: true,
        stop: control.signal,
        progress: (share) => { bar.value = share; },
        smaller: () => say(form, form.dataset.smaller),
        arrived: () => {
          stop.hidden = true;
          bar.removeAttribute("value");
          say(form, form.dataset.reading);
        },
      },
      end: () => {
        bar.hidden = stop.hidden = true;
        stop.removeEventListener("click", cancel);
      },
    };
  }

  function say(form, text) {
    form.querySelector(".form-status").textContent = text;
  }

  function empty(form) {
    form.reset();
    for (const part of [".preview", ".looked", ".damp"]) form.querySelector(part).hidden = true;
    form.querySelector(".camera").classList.remove("taken");
  }

  async function emptied(form) {
    say(form, "");
    empty(form);
    await refreshKept();
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

  document.querySelectorAll(".photo-form").forEach(setUp);
})();
