// Timers that go on while the page is left.
"use strict";

(() => {
  function clock(seconds) {
    const whole = Math.max(0, Math.ceil(seconds));
    return `${Math.floor(whole / 60)}:${String(whole % 60).padStart(2, "0")}`;
  }

  function setUp(box) {
    const face = box.querySelector(".timer-face");
    const words = box.querySelector(".timer-words");
    const button = box.querySelector("button");
    const key = `timer-${box.dataset.timer}`;
    const length = Number(box.dataset.seconds);
    // The start is remembered, so that leaving the page doesn't lose the time.
    let start = Number(localStorage.getItem(key)) || null;
    let ticking = null;

    const left = () => (start === null ? length : length - (Date.now() - start) / 1000);
    box.started = () => start !== null;
    box.runs = () => start !== null && left() > 0;

    function show() {
      face.textContent = clock(left());
      if (start !== null && !box.runs()) {
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

  document.querySelectorAll("[data-timer]").forEach(setUp);
})();
