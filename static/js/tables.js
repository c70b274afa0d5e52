// Ticking rows: all on the page at once, a stretch with the shift key, and a count of what is ticked.
// <input type="checkbox" data-select-all="NAME" hidden> in the header, <input type="checkbox" name="NAME"> in the rows,
// <output data-selected-count="NAME"> anywhere in the same form.
"use strict";
(() => {
  const boxesOf = (form, name) => [...form.querySelectorAll(`td input[type=checkbox][name="${CSS.escape(name)}"]:not(:disabled)`)];

  const update = (form, name) => {
    const boxes = boxesOf(form, name);
    const ticked = boxes.filter((box) => box.checked).length;
    for (const all of form.querySelectorAll(`[data-select-all="${CSS.escape(name)}"]`)) {
      all.checked = ticked > 0 && ticked === boxes.length;
      all.indeterminate = ticked > 0 && ticked < boxes.length;
    }
    for (const output of form.querySelectorAll(`[data-selected-count="${CSS.escape(name)}"]`)) {
      output.textContent = ticked === 0 ? "none ticked" : `${ticked} ticked`;
    }
  };

  const prepare = (part) => {
    for (const all of part.querySelectorAll("[data-select-all]")) {
      all.hidden = false;
      if (all.form) update(all.form, all.dataset.selectAll);
    }
  };

  let last = null;
  document.addEventListener("click", (event) => {
    const box = event.target;
    if (!(box instanceof HTMLInputElement) || box.type !== "checkbox" || !box.form) return;
    if (box.dataset.selectAll) {
      for (const one of boxesOf(box.form, box.dataset.selectAll)) one.checked = box.checked;
      update(box.form, box.dataset.selectAll);
    } else if (box.closest("td.check")) {
      const boxes = boxesOf(box.form, box.name);
      if (event.shiftKey && last && boxes.includes(last)) {
        const [from, to] = [boxes.indexOf(last), boxes.indexOf(box)].sort((a, b) => a - b);
        for (const one of boxes.slice(from, to + 1)) one.checked = box.checked;
      }
      last = box;
      update(box.form, box.name);
    }
  });
  document.addEventListener("DOMContentLoaded", () => prepare(document));
  document.addEventListener("htmx:afterSettle", (event) => prepare(event.target));
})();
