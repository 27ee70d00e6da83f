// Looking at a password or PIN while it is typed.
"use strict";

(() => {
  const { showWord, hideWord } = document.body.dataset;

  function setUp(input) {
    const button = document.createElement("button");
    button.type = "button";
    button.className = "quiet show-password";
    button.setAttribute("aria-controls", input.id);

    function show(shown) {
      input.type = shown ? "text" : "password";
      button.textContent = shown ? hideWord : showWord;
    }

    button.addEventListener("click", () => show(input.type === "password"));
    // Sent as a password again, so that the browser doesn't offer it as a word next time.
    if (input.form) input.form.addEventListener("submit", () => show(false));
    show(false);
    input.after(button);
  }

  document.querySelectorAll("input[type=password]").forEach(setUp);
})();
