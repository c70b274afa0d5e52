// Small manners of every page: the question before a form is sent, menus that close, messages that can be closed,
// a word when the server does not answer.
"use strict";
(() => {
  // <form data-confirm="ID of a dialog.ask">
  document.addEventListener("submit", (event) => {
    const form = event.target;
    const dialog = form.dataset.confirm && document.getElementById(form.dataset.confirm);
    if (!dialog || form.dataset.confirmed) return;
    event.preventDefault();
    event.stopPropagation(); // htmx would send the form all the same
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

  // A whole page in answer to the request for a part: the session has ended, or the work has and its result waits.
  // Where a part is to be picked out of a whole page (hx-select), that is what was asked for.
  document.addEventListener("htmx:beforeSwap", (event) => {
    if (!/^\s*<!doctype html/i.test(event.detail.xhr.responseText)) return;
    if (event.detail.requestConfig.elt.closest("[hx-select]")) return;
    event.detail.shouldSwap = false;
    if (event.detail.xhr.status < 400) location.reload();
  });
  const showSilence = (silent) => {
    for (const notice of document.querySelectorAll("[data-silence]")) notice.hidden = !silent;
  };
  document.addEventListener("htmx:sendError", () => showSilence(true));
  document.addEventListener("htmx:beforeOnLoad", () => showSilence(false));

  // Paper can't unfold anything: what is folded is opened before printing and folded again after. The numbers behind a plot
  // stay folded, the plot itself is printed.
  let unfolded = [];
  addEventListener("beforeprint", () => {
    unfolded.push(...document.querySelectorAll("main details:not([open], .menu, .chart *)"));
    for (const details of unfolded) details.open = true;
  });
  addEventListener("afterprint", () => {
    for (const details of unfolded) details.open = false;
    unfolded = [];
  });

  const prepare = (part) => {
    for (const button of part.querySelectorAll("[data-dismiss]")) button.hidden = false;
    part.querySelector("[data-focus]")?.focus();
  };
  document.addEventListener("DOMContentLoaded", () => prepare(document));
  document.addEventListener("htmx:afterSettle", (event) => prepare(event.target));
})();
