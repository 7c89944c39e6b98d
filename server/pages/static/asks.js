// Forms that are hard to undo ask once more: the first press only turns the button into a question.

document.addEventListener(
  "submit",
  (event) => {
    const form = /** @type {HTMLFormElement} */ (event.target),
      button = event.submitter;
    if (!form.dataset.asks || !button || button.dataset.asked !== undefined) return;
    event.preventDefault();
    event.stopImmediatePropagation();
    button.dataset.asked = "";
    button.removeAttribute("aria-label");
    button.textContent = form.dataset.asks;
  },
  true,
);
