// The timeline of the chambers: bookings are opened in place, dragged to another time or chamber, and gone through with arrow keys.
// The server checks every rule and draws the timeline again; without this script the same is done by links and the form.
"use strict";
(() => {
  const STEP_MS = 5 * 60 * 1000; // bookings snap to five minutes
  const FAR_PX = 6;
  const HOLD_MS = 350;
  let drag = null;
  let wasDragged = false;

  const board = () => document.querySelector("#board .board");
  const query = () => document.querySelector("#board")?.dataset.query || "";
  const clock = (ms) => new Date(ms).toLocaleString("en-GB", { weekday: "short", day: "numeric", month: "short", hour: "2-digit", minute: "2-digit", timeZone: board()?.dataset.zone || undefined });

  // --- opened in place -------------------------------------------------------------------------------------------------
  document.addEventListener("click", (event) => {
    const link = event.target.closest("a.booking");
    if (!link || event.ctrlKey || event.metaKey || event.shiftKey) return;
    event.preventDefault();
    if (wasDragged) { wasDragged = false; return; }
    const pk = link.dataset.booking;
    const address = link.getAttribute("href");
    htmx.ajax("GET", address.split("#")[0], { target: "#board", swap: "outerHTML" }).then(() => {
      history.replaceState(null, "", address.split("#")[0]);
      const panel = document.getElementById("booking");
      panel?.scrollIntoView({ block: "nearest" });
      document.querySelector(`a.booking[data-booking="${pk}"]`)?.focus({ preventScroll: true });
    });
  });

  // --- dragged ---------------------------------------------------------------------------------------------------------
  const stripAt = (x, y) => document.elementsFromPoint(x, y).find((one) => one.closest?.(".strip"))?.closest(".strip")
    || [...document.querySelectorAll(".strip")].find((strip) => { const box = strip.getBoundingClientRect(); return y >= box.top && y < box.bottom; });

  const lift = () => {
    drag.isLifted = true;
    board().classList.add("is-dragging");
    drag.link.classList.add("is-lifted");
    const box = drag.link.querySelector("rect").getBoundingClientRect();
    drag.left = box.left;
    drag.top = box.top;
    drag.shape = document.createElement("div");
    drag.shape.className = "drag-shape";
    drag.shape.style.width = `${box.width}px`;
    drag.shape.style.height = `${box.height}px`;
    document.body.append(drag.shape);
  };

  const follow = (x, y) => {
    const strip = drag.link.closest(".strip").getBoundingClientRect();
    const from = Date.parse(board().dataset.start);
    const perPx = (Date.parse(board().dataset.end) - from) / strip.width;
    const isBegun = drag.link.dataset.begun === "yes";
    const start = Date.parse(drag.link.dataset.start);
    const end = Date.parse(drag.link.dataset.end);
    const moved = (x - drag.x) * perPx;
    // What has begun stays where it is; only its end moves.
    drag.start = isBegun ? start : Math.round((start + moved) / STEP_MS) * STEP_MS;
    drag.end = isBegun ? Math.round((end + moved) / STEP_MS) * STEP_MS : drag.start + (end - start);
    drag.strip = isBegun ? drag.link.closest(".strip") : stripAt(x, y) || drag.link.closest(".strip");
    for (const one of document.querySelectorAll(".strip.is-target")) one.classList.remove("is-target");
    drag.strip.classList.add("is-target");
    drag.shape.style.left = `${isBegun ? drag.left : drag.left + (drag.start - start) / perPx}px`;
    drag.shape.style.top = `${isBegun ? drag.top : drag.top + (y - drag.y)}px`;
    if (isBegun) drag.shape.style.width = `${Math.max((drag.end - start) / perPx, 8)}px`;
    drag.shape.textContent = isBegun ? `comes out ${clock(drag.end)}` : `${clock(drag.start)}`;
  };

  const stop = () => {
    if (!drag) return;
    clearTimeout(drag.hold);
    drag.shape?.remove();
    drag.link.classList.remove("is-lifted");
    board()?.classList.remove("is-dragging");
    for (const one of document.querySelectorAll(".strip.is-target")) one.classList.remove("is-target");
    drag = null;
  };

  document.addEventListener("pointerdown", (event) => {
    const link = event.target.closest("[data-may-move] a.booking[data-start]");
    if (!link || event.button !== 0) return;
    wasDragged = false;
    drag = { link, x: event.clientX, y: event.clientY, id: event.pointerId, isTouch: event.pointerType !== "mouse" };
    if (drag.isTouch) drag.hold = setTimeout(() => { if (drag) { lift(); follow(drag.x, drag.y); } }, HOLD_MS);
  });
  document.addEventListener("pointermove", (event) => {
    if (!drag || event.pointerId !== drag.id) return;
    const far = Math.hypot(event.clientX - drag.x, event.clientY - drag.y) > FAR_PX;
    if (!drag.isLifted) {
      if (!far) return;
      if (drag.isTouch) return stop(); // it scrolls
      lift();
    }
    event.preventDefault();
    follow(event.clientX, event.clientY);
  });
  document.addEventListener("touchmove", (event) => { if (drag?.isLifted) event.preventDefault(); }, { passive: false });
  document.addEventListener("contextmenu", (event) => { if (drag?.isTouch) event.preventDefault(); });
  document.addEventListener("dragstart", (event) => { if (event.target.closest?.("a.booking")) event.preventDefault(); });
  document.addEventListener("pointercancel", stop);
  document.addEventListener("pointerup", (event) => {
    if (!drag || event.pointerId !== drag.id) return;
    const { link, isLifted, start, end, strip } = drag;
    stop();
    if (!isLifted) return;
    wasDragged = true;
    setTimeout(() => { wasDragged = false; }, 50);
    const isBegun = link.dataset.begun === "yes";
    const values = { follow: "on", reason: "", seen_start: link.dataset.start, seen_end: link.dataset.end, end: new Date(end).toISOString() };
    if (!isBegun) Object.assign(values, { start: new Date(start).toISOString(), chamber: strip.dataset.chamber });
    if (values.end === new Date(link.dataset.end).toISOString() && (isBegun || strip === link.closest(".strip"))) return;
    board().classList.add("is-waiting");
    htmx.ajax("POST", `${board().dataset.move.replace("/0/", `/${link.dataset.booking}/`)}?${query()}`, { target: "#board", swap: "outerHTML", values });
  });

  // --- arrow keys ------------------------------------------------------------------------------------------------------
  // One stop of the tab key for all bookings; the arrows go on from there.
  const prepare = () => {
    const links = [...document.querySelectorAll("a.booking")];
    const first = links.find((link) => link.classList.contains("is-selected")) || links[0];
    for (const link of links) link.setAttribute("tabindex", link === first ? "0" : "-1");
  };
  const middle = (link) => { const box = link.getBoundingClientRect(); return box.left + box.width / 2; };
  document.addEventListener("keydown", (event) => {
    if (event.key === "Escape") stop();
    const link = document.activeElement?.closest?.("a.booking");
    if (!link || !["ArrowLeft", "ArrowRight", "ArrowUp", "ArrowDown"].includes(event.key)) return;
    event.preventDefault();
    const strip = link.closest(".strip");
    let next;
    if (event.key === "ArrowLeft" || event.key === "ArrowRight") {
      const row = [...strip.querySelectorAll("a.booking")].sort((a, b) => middle(a) - middle(b));
      next = row[row.indexOf(link) + (event.key === "ArrowRight" ? 1 : -1)];
    } else {
      const strips = [...document.querySelectorAll(".strip")].filter((one) => one.querySelector("a.booking"));
      const row = strips[strips.indexOf(strip) + (event.key === "ArrowDown" ? 1 : -1)];
      next = row && [...row.querySelectorAll("a.booking")].sort((a, b) => Math.abs(middle(a) - middle(link)) - Math.abs(middle(b) - middle(link)))[0];
    }
    if (!next) return;
    link.setAttribute("tabindex", "-1");
    next.setAttribute("tabindex", "0");
    next.focus();
  });
  document.addEventListener("DOMContentLoaded", prepare);
  document.addEventListener("htmx:afterSettle", prepare);
})();
