// A trace of millions of readings in a plot that holds some thousand: whenever another part is looked at, its points are asked for.
//
// <div class="trace-plot" data-trace-points=URL data-start-ms data-seconds> around a figure drawn by charts.js; inside it [data-zoom]
// buttons. Buttons [data-show-from][data-show-to] anywhere show that part.
"use strict";
(() => {
  const WAIT_MS = 120;
  const CLOSEST_S = 20;

  const ready = (figure) => new Promise((done) => {
    if (figure.dataset.drawn) { done(); return; }
    new MutationObserver((_, watch) => {
      if (figure.dataset.drawn) { watch.disconnect(); done(); }
    }).observe(figure, { attributes: true, attributeFilter: ["data-drawn"] });
  });

  // Two fingers on the plot: what lay below each stays below it. Plotly has this for maps only; one finger scrolls the page.
  const pinch = (plot, { seen, show }) => {
    let held = null;
    let wanted = 0;
    const places = (touches) => {
      const { left } = plot.getBoundingClientRect();
      const { l, w } = plot._fullLayout._size;
      return [...touches].map((touch) => (touch.clientX - left - l) / w).sort((a, b) => a - b);
    };
    plot.addEventListener("touchstart", (event) => {
      held = null;
      if (event.touches.length !== 2) return;
      event.preventDefault();
      event.stopPropagation();
      const [from, to] = seen();
      const seconds = places(event.touches).map((place) => from + place * (to - from));
      if (seconds[1] > seconds[0]) held = seconds;
    }, { capture: true, passive: false });
    plot.addEventListener("touchmove", (event) => {
      if (!held || event.touches.length !== 2) return;
      event.preventDefault();
      event.stopPropagation();
      const [first, second] = places(event.touches);
      const [low, high] = held;
      const width = (high - low) / Math.max(second - first, 0.02);
      cancelAnimationFrame(wanted);
      wanted = requestAnimationFrame(() => show(low - first * width, low - first * width + width));
    }, { capture: true, passive: false });
    for (const name of ["touchend", "touchcancel"]) plot.addEventListener(name, () => { held = null; }, { capture: true });
  };

  const follow = async (part) => {
    const figure = part.querySelector("figure");
    await ready(figure);
    const plot = figure.querySelector(".chart-plot");
    const startMs = Number(part.dataset.startMs);
    const seconds = Number(part.dataset.seconds);
    const status = part.querySelector("[data-trace-status]");
    let asked = null;
    let timer = 0;
    let ownHeight = false;

    // A date axis tells its range as text without zone; its numbers are milliseconds.
    const second = (value) => ((typeof value === "number" ? value : Date.parse(`${String(value).replace(" ", "T")}Z`)) - startMs) / 1000;
    const seen = () => plot._fullLayout.xaxis.range.map(second);
    const clamp = (from, to) => {
      const width = Math.min(Math.max(to - from, CLOSEST_S), seconds);
      const low = Math.min(Math.max((from + to - width) / 2, 0), seconds - width);
      return [low, low + width];
    };
    const show = (from, to) => {
      ownHeight = false;
      return Plotly.relayout(plot, { "xaxis.range": clamp(from, to).map((at) => startMs + 1000 * at) });
    };
    // The temperatures that are seen, with some room; the bands of steps that are not seen would stretch it.
    const height = (x, y, from, to) => {
      let [low, high] = [Infinity, -Infinity];
      for (const values of y) {
        values.forEach((value, i) => {
          if (value === null || x[i] < from || x[i] > to) return;
          if (value < low) low = value;
          if (value > high) high = value;
        });
      }
      if (low > high) return null;
      const room = Math.max((high - low) * 0.1, 1);
      return [low - room, high + room];
    };

    const load = async () => {
      const [from, to] = seen();
      asked?.abort();
      asked = new AbortController();
      // Half a window more at either side, so that a small step draws at once.
      const more = (to - from) / 2;
      const points = Math.min(4000, Math.max(400, 2 * Math.round(plot._fullLayout._size.w)));
      const query = new URLSearchParams({ points });
      if (from - more > 0) query.set("from_s", from - more);
      if (to + more < seconds) query.set("to_s", to + more);
      try {
        const answer = await fetch(`${part.dataset.tracePoints}?${query}`, { signal: asked.signal });
        if (!answer.ok) throw new Error(answer.status);
        const given = await answer.json();
        const x = given.seconds.map((at) => startMs + 1000 * at);
        const y = Object.values(given.channels);
        // Not restyle: new x values would make it guess the kind of the axis anew.
        const range = ownHeight ? null : height(x, y, startMs + 1000 * from, startMs + 1000 * to);
        const layout = range ? { ...plot.layout, yaxis: { ...plot.layout.yaxis, autorange: false, range } } : plot.layout;
        await Plotly.react(plot, plot.data.map((trace, i) => ({ ...trace, x, y: y[i] })), layout);
        status.textContent = given.is_every_reading ? "Every reading is drawn." : "Drawn: lowest and highest of the readings at each place.";
      } catch (error) {
        if (error.name !== "AbortError") status.textContent = "The server does not answer; what you see may be coarse.";
      }
    };
    plot.on("plotly_relayout", (change) => {
      if (!Object.keys(change).some((key) => key.startsWith("xaxis."))) return;
      if (Object.keys(change).some((key) => key.startsWith("yaxis.range"))) ownHeight = true;
      if (change["xaxis.autorange"]) { show(0, seconds); return; }
      clearTimeout(timer);
      timer = setTimeout(load, WAIT_MS);
    });

    const acts = {
      closer: ([from, to]) => show(from + (to - from) / 4, to - (to - from) / 4),
      wider: ([from, to]) => show(from - (to - from) / 2, to + (to - from) / 2),
      earlier: ([from, to]) => show(from - (to - from) / 2, to - (to - from) / 2),
      later: ([from, to]) => show(from + (to - from) / 2, to + (to - from) / 2),
      whole: () => show(0, seconds),
    };
    const drag = part.querySelector("[data-zoom=drag]");
    const sayDrag = () => drag.setAttribute("aria-pressed", String(plot._fullLayout.dragmode === "zoom"));
    part.addEventListener("click", async (event) => {
      const button = event.target.closest("[data-zoom]");
      if (!button) return;
      if (button === drag) {
        await Plotly.relayout(plot, { dragmode: plot._fullLayout.dragmode === "zoom" ? false : "zoom" });
        sayDrag();
        return;
      }
      acts[button.dataset.zoom](seen());
    });
    const keys = { "+": "closer", "=": "closer", "-": "wider", "ArrowLeft": "earlier", "ArrowRight": "later", "0": "whole", "Home": "whole" };
    plot.tabIndex = 0;
    plot.addEventListener("keydown", (event) => {
      const act = keys[event.key];
      if (!act || event.ctrlKey || event.metaKey || event.altKey) return;
      event.preventDefault();
      acts[act](seen());
    });
    pinch(plot, { seen, show });
    part.querySelector("[data-trace-tools]").hidden = false;
    part.querySelector("[data-trace-keys]").hidden = false;
    sayDrag();

    const offsetMs = startMs - Date.parse(part.dataset.startsAt);
    for (const button of document.querySelectorAll("[data-show-from]")) {
      button.hidden = false;
      button.addEventListener("click", () => {
        const [from, to] = [button.dataset.showFrom, button.dataset.showTo].map((text) => (Date.parse(text) + offsetMs - startMs) / 1000);
        const more = Math.max((to - from) * 0.15, 60);
        show(from - more, to + more);
        figure.scrollIntoView({ block: "nearest" });
      });
    }
  };
  document.addEventListener("DOMContentLoaded", () => {
    for (const part of document.querySelectorAll("[data-trace-points]")) follow(part);
  });
})();
