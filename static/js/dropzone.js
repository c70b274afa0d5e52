// A file input that also takes a dropped file. <div data-dropzone><input type="file"><p data-dropzone-text hidden></p></div>
"use strict";
(() => {
  const prepare = (zone) => {
    const input = zone.querySelector("input[type=file]");
    const text = zone.querySelector("[data-dropzone-text]");
    if (!input || zone.dataset.ready) return;
    zone.dataset.ready = "yes";
    if (text) text.hidden = false;

    let depth = 0; // dragenter and dragleave also fire for the children
    const mark = (change) => {
      depth = Math.max(0, depth + change);
      zone.classList.toggle("is-over", depth > 0);
    };
    const hasFiles = (event) => event.dataTransfer?.types.includes("Files");
    zone.addEventListener("dragenter", (event) => { if (hasFiles(event)) { event.preventDefault(); mark(1); } });
    zone.addEventListener("dragover", (event) => { if (hasFiles(event)) event.preventDefault(); });
    zone.addEventListener("dragleave", () => mark(-1));
    zone.addEventListener("drop", (event) => {
      event.preventDefault();
      mark(-depth);
      const files = event.dataTransfer.files;
      if (!files.length) return;
      if (files.length > 1 && !input.multiple) {
        if (text) text.textContent = `${files.length} files were dropped; one at a time, please.`;
        return;
      }
      input.files = files;
      input.dispatchEvent(new Event("change", { bubbles: true }));
    });
    input.addEventListener("change", () => {
      const size = [...input.files].reduce((sum, file) => sum + file.size, 0);
      if (text && input.files.length) text.textContent = `${[...input.files].map((file) => file.name).join(", ")} – ${Math.ceil(size / 1024).toLocaleString("en-GB")} KiB`;
    });
  };
  const prepareAll = (part) => part.querySelectorAll("[data-dropzone]").forEach(prepare);
  document.addEventListener("DOMContentLoaded", () => prepareAll(document));
  document.addEventListener("htmx:afterSettle", (event) => prepareAll(event.target));
  // A file dropped beside the zone would otherwise replace the page and what was typed.
  for (const name of ["dragover", "drop"]) addEventListener(name, (event) => { if (document.querySelector("[data-dropzone]")) event.preventDefault(); });
})();
