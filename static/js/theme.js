// Light, dark or as the system says. Loaded before the first paint, so that a stored choice never flashes.
"use strict";
(() => {
  const root = document.documentElement;
  const stored = () => {
    try { return localStorage.getItem("theme"); } catch { return null; } // storage can be forbidden
  };
  const show = (theme) => {
    if (theme === "light" || theme === "dark") root.dataset.theme = theme;
    else delete root.dataset.theme;
    document.dispatchEvent(new CustomEvent("themechange"));
  };
  show(stored());

  document.addEventListener("DOMContentLoaded", () => {
    for (const fieldset of document.querySelectorAll("[data-theme-switch]")) {
      const now = root.dataset.theme ?? "system";
      for (const input of fieldset.querySelectorAll("input")) input.checked = input.value === now;
      fieldset.hidden = false;
      fieldset.addEventListener("change", (event) => {
        try {
          if (event.target.value === "system") localStorage.removeItem("theme");
          else localStorage.setItem("theme", event.target.value);
        } catch { /* the choice then lasts for this page only */ }
        show(event.target.value);
      });
    }
  });
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => document.dispatchEvent(new CustomEvent("themechange")));

  // Paper is light whatever the screen is; the plots follow by the same event.
  let onScreen;
  addEventListener("beforeprint", () => { onScreen = root.dataset.theme; show("light"); });
  addEventListener("afterprint", () => show(onScreen));
})();
