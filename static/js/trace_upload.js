// <form data-trace-upload>: sends its file and shows how far it is. Without this the form is sent as any other.
"use strict";
(() => {
  const send = (form) => {
    const bar = form.querySelector("[data-upload-progress]");
    const progress = bar.querySelector("progress");
    const words = bar.querySelector("span");
    const buttons = form.querySelectorAll("button");
    const request = new XMLHttpRequest();
    const megabytes = (bytes) => (bytes / 2 ** 20).toLocaleString("en-GB", { maximumFractionDigits: 1 });
    const ended = (text) => {
      words.textContent = text;
      for (const button of buttons) button.disabled = false;
    };
    request.upload.addEventListener("progress", (event) => {
      if (!event.lengthComputable) return;
      progress.value = event.loaded / event.total;
      words.textContent = event.loaded < event.total ? `${megabytes(event.loaded)} of ${megabytes(event.total)} MB sent` : "sent; being looked at";
    });
    request.addEventListener("error", () => ended("The file could not be sent: the server does not answer. Try again."));
    request.addEventListener("load", () => {
      if (request.getResponseHeader("Content-Type")?.startsWith("application/json")) {
        location.assign(JSON.parse(request.responseText).to);
        return;
      }
      const page = new DOMParser().parseFromString(request.responseText, "text/html");
      const refused = page.querySelector(".error-summary");
      const main = page.querySelector("main") ?? page.body;
      if (!main) { ended("The file was refused."); return; }
      document.querySelector("main").replaceWith(document.adoptNode(main));
      document.dispatchEvent(new CustomEvent("htmx:afterSettle", { bubbles: true, detail: {} }));
      prepare();
      if (refused) document.querySelector(".error-summary")?.focus();
    });
    bar.hidden = false;
    progress.removeAttribute("value");
    words.textContent = "sending";
    // Before the buttons are disabled: what is disabled is not sent.
    const body = new FormData(form);
    for (const button of buttons) button.disabled = true;
    request.open("POST", form.action || location.href);
    request.setRequestHeader("X-Requested-With", "XMLHttpRequest");
    request.send(body);
  };
  const prepare = () => {
    for (const form of document.querySelectorAll("form[data-trace-upload]")) {
      if (form.dataset.ready) continue;
      form.dataset.ready = "yes";
      form.addEventListener("submit", (event) => {
        if (!form.querySelector("input[type=file]").files.length) return;
        event.preventDefault();
        send(form);
      });
    }
  };
  document.addEventListener("DOMContentLoaded", prepare);
})();
