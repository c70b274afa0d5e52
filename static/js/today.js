// The page of the day: countdowns by the server's clock, and lists that refresh without losing what is being typed.
"use strict";
(() => {
  // The server's time when the part came, and this page's own steady clock then: a wrong clock of the device changes nothing.
  let server = 0, came = 0;
  const now = () => server + performance.now() - came;

  const take = () => {
    const part = document.querySelector("[data-now]");
    if (!part) return;
    server = Number(part.dataset.now);
    came = performance.now();
    const off = Math.round((Date.now() - server) / 60000);
    const notice = document.querySelector("[data-clock-off]");
    if (notice) {
      notice.hidden = Math.abs(off) < 2;
      notice.querySelector("[data-clock-difference]").textContent = `${words(Math.abs(off) * 60)} ${off > 0 ? "ahead" : "behind"}`;
    }
  };

  const words = (seconds) => {
    const minutes = Math.floor(seconds / 60);
    if (minutes < 10) return `${minutes}:${String(Math.floor(seconds % 60)).padStart(2, "0")} min`;
    const hours = Math.floor(minutes / 60);
    if (hours >= 48) return `${Math.floor(hours / 24)} days`;
    return hours ? `${hours} h${minutes % 60 ? ` ${minutes % 60} min` : ""}` : `${minutes} min`;
  };

  let asked = 0;
  const tick = () => {
    for (const one of document.querySelectorAll("[data-until]")) {
      const left = (Date.parse(one.dataset.until) - now()) / 1000;
      one.textContent = `${left > 0 ? one.dataset.ahead : one.dataset.behind} ${words(Math.abs(left))}`;
      // Its time has just come: what the server says of it changes.
      if (left <= 0 && left > -2 && performance.now() - asked > 5000) {
        asked = performance.now();
        refresh();
      }
    }
  };
  const refresh = () => {
    const work = document.getElementById("todays-work");
    if (work) htmx.trigger(work, "todays-work");
  };

  // What somebody is at stays: a field with something in it, an open part, the focus.
  const isInUse = (item) =>
    item.contains(document.activeElement) || item.querySelector("details[data-opened]") ||
    [...item.querySelectorAll("input:not([type=hidden]), textarea, select")].some((field) => field.value !== "");

  document.addEventListener("htmx:beforeSwap", (event) => {
    if (event.detail.target.id !== "todays-work" || event.detail.xhr.status !== 200) return;
    const used = [...document.querySelectorAll("#todays-work .keeps-typed")].filter(isInUse);
    if (!used.length) return;
    const page = new DOMParser().parseFromString(event.detail.serverResponse, "text/html");
    for (const item of used) page.getElementById(item.id)?.setAttribute("hx-preserve", "true");
    event.detail.serverResponse = page.body.innerHTML;
    focused = document.activeElement;
  });
  let focused = null;
  document.addEventListener("htmx:afterSettle", (event) => {
    if (event.target.id !== "todays-work") return;
    if (focused?.isConnected && document.activeElement !== focused) focused.focus();
    focused = null;
    take();
    tick();
  });

  // What somebody opened, not what came open.
  document.addEventListener("click", (event) => {
    const details = event.target.closest("#todays-work summary")?.parentElement;
    if (details) details.toggleAttribute("data-opened", !details.open);
  });

  // A form that is on its way is not sent again by a second press.
  document.addEventListener("submit", (event) => {
    const form = event.target;
    if (event.defaultPrevented || !form.closest("#todays-work")) return;
    if (form.dataset.sent) event.preventDefault();
    form.dataset.sent = "yes";
    setTimeout(() => delete form.dataset.sent, 4000);
  });
  document.addEventListener("visibilitychange", () => { if (!document.hidden) refresh(); });
  document.addEventListener("DOMContentLoaded", () => {
    take();
    tick();
    setInterval(tick, 1000);
  });
})();
