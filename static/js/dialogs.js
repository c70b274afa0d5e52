// Small manners of every page: the question before a form is sent, menus that close, messages that can be closed.
"use strict";
(() => {
  // <form data-confirm="id of a dialog.ask">
  document.addEventListener("submit", (event) => {
    const form = event.target;
    const dialog = form.dataset.confirm && document.getElementById(form.dataset.confirm);
    if (!dialog || form.dataset.confirmed) return;
    event.preventDefault();
    const button = event.submitter;
    dialog.returnValue = "no";
    dialog.addEventListener("close", () => {
      if (dialog.returnValue !== "yes") return;
      form.dataset.confirmed = "yes";
      form.requestSubmit(button);
      delete form.dataset.confirmed;
    }, { once: true });
    dialog.showModal();
  }, true);

  document.addEventListener("click", (event) => {
    for (const menu of document.querySelectorAll("details.menu[open]")) if (!menu.contains(event.target)) menu.open = false;
    event.target.closest("[data-dismiss]")?.closest(".notice").remove();
  });
  document.addEventListener("keydown", (event) => {
    if (event.key !== "Escape") return;
    for (const menu of document.querySelectorAll("details.menu[open]")) {
      menu.open = false;
      menu.querySelector("summary").focus();
    }
  });

  const prepare = (part) => {
    for (const button of part.querySelectorAll("[data-dismiss]")) button.hidden = false;
    part.querySelector("[data-focus]")?.focus();
  };
  document.addEventListener("DOMContentLoaded", () => prepare(document));
  document.addEventListener("htmx:afterSettle", (event) => prepare(event.target));
})();
