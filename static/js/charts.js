// Draws every <figure data-chart-source="ID of a json_script"> in the colours of the theme. Needs plotly-cartesian.min.js before it.
//
// The figure is {data, layout} without colours of its own:
//   trace.meta.series = 1..6          colour, dash and symbol of that series, so that the same thing looks the same in every plot
//   trace.meta.role = "limit", then   an interval: first a trace with its lower limits (drawn as nothing), directly after it one with its
//                     "band"          upper limits: between them the pale colour of the series. Give both the line.shape of their curve.
//   any colour "@name" or "@name/0.3" the token --name of tokens.css, with that opacity
"use strict";
(() => {
  const tokens = () => {
    // A canvas and a probe turn whatever a token says (light-dark(), names) into numbers.
    const probe = document.createElement("span");
    probe.hidden = true;
    document.body.append(probe);
    const style = getComputedStyle(document.documentElement);
    const list = (name) => style.getPropertyValue(name).split(",").map((word) => word.trim());
    const colour = (name, opacity = 1) => {
      probe.style.color = "";
      probe.style.color = `var(--${name})`;
      const [r, g, b] = getComputedStyle(probe).color.match(/[\d.]+/g);
      return opacity < 1 ? `rgba(${r}, ${g}, ${b}, ${opacity})` : `rgb(${r}, ${g}, ${b})`;
    };
    const dashes = list("--series-dashes");
    const symbols = list("--series-symbols");
    return {
      colour,
      font: getComputedStyle(document.body).fontFamily,
      series: (n) => {
        const i = (((n - 1) % dashes.length) + dashes.length) % dashes.length;
        return { colour: colour(`series-${i + 1}`), pale: colour(`series-${i + 1}`, 0.16), dash: dashes[i], symbol: symbols[i] };
      },
      count: dashes.length,
      done: () => probe.remove(),
    };
  };

  const TOKEN = /^@([a-z][a-z0-9-]*)(?:\/(0?\.\d+|1))?$/;
  const resolve = (value, theme) => {
    if (typeof value === "string") {
      const found = TOKEN.exec(value);
      return found ? theme.colour(found[1], found[2] ? Number(found[2]) : 1) : value;
    }
    if (Array.isArray(value)) return value.map((item) => resolve(item, theme));
    if (value && typeof value === "object") return Object.fromEntries(Object.entries(value).map(([key, item]) => [key, resolve(item, theme)]));
    return value;
  };
  const resolveColours = (value, theme, key = "") => {
    if (/color(s|scale|way)?$/i.test(key)) return resolve(value, theme);
    if (Array.isArray(value)) return value.map((item) => (item && typeof item === "object" ? resolveColours(item, theme) : item));
    if (value && typeof value === "object") return Object.fromEntries(Object.entries(value).map(([name, item]) => [name, resolveColours(item, theme, name)]));
    return value;
  };

  const dressed = (trace, theme) => {
    const dress = resolveColours(trace, theme);
    const number = trace.meta?.series;
    if (!number) return dress;
    const series = theme.series(number);
    if (trace.meta.role === "limit" || trace.meta.role === "band") {
      const fill = trace.meta.role === "band" ? { fill: "tonexty", fillcolor: series.pale } : {};
      return { ...fill, hoverinfo: "skip", showlegend: false, mode: "lines", ...dress, line: { width: 0, ...dress.line } };
    }
    const marker = { color: series.colour, ...dress.marker };
    if (dress.type === "bar" || dress.type === "histogram" || dress.type === "box" || dress.type === "violin") {
      return { ...dress, marker: { ...marker, line: { color: series.colour, width: 1.5, ...dress.marker?.line } }, fillcolor: dress.fillcolor ?? series.pale };
    }
    return {
      ...dress,
      marker: { symbol: series.symbol, size: 9, ...marker },
      line: { color: series.colour, dash: series.dash, width: 2, ...dress.line },
      ...(dress.error_x && { error_x: { color: series.colour, thickness: 2, width: 5, ...dress.error_x } }),
      ...(dress.error_y && { error_y: { color: series.colour, thickness: 2, width: 5, ...dress.error_y } }),
    };
  };

  const template = (theme) => {
    const ink = theme.colour("ink");
    const soft = theme.colour("ink-soft");
    const line = theme.colour("line");
    const axis = {
      gridcolor: line, zerolinecolor: theme.colour("line-strong"), linecolor: theme.colour("line-strong"), tickcolor: theme.colour("line-strong"),
      ticks: "outside", ticklen: 5, showline: true, automargin: true, tickfont: { color: soft }, title: { font: { color: ink, size: 14 }, standoff: 10 },
    };
    // One hue from pale to deep: a reader who sees no hue still sees which place got more.
    const shades = [[0, theme.colour("sunk")], [0.55, theme.colour("accent")], [1, theme.colour("ink")]];
    const shaded = { colorscale: shades, colorbar: { outlinewidth: 0, ticks: "outside", tickcolor: theme.colour("line-strong"), tickfont: { color: soft }, title: { font: { size: 14 } } } };
    return {
      data: { heatmap: [shaded], contour: [shaded] },
      layout: {
        font: { family: theme.font, size: 14, color: ink },
        paper_bgcolor: "rgba(0, 0, 0, 0)", plot_bgcolor: "rgba(0, 0, 0, 0)",
        colorway: Array.from({ length: theme.count }, (_, i) => theme.series(i + 1).colour),
        margin: { t: 20, r: 20, b: 50, l: 60 },
        xaxis: axis, yaxis: axis,
        legend: { orientation: "h", traceorder: "normal", x: 0, xanchor: "left", y: 1.02, yanchor: "bottom", font: { color: ink } },
        hoverlabel: { bgcolor: theme.colour("sheet"), bordercolor: theme.colour("line-strong"), font: { family: theme.font, color: ink } },
        separators: ".\u202f",
        // With a finger a drag must scroll the page, not zoom the plot.
        dragmode: matchMedia("(pointer: coarse)").matches ? false : "zoom",
      },
    };
  };

  const plotOf = (figure) => figure.querySelector(".chart-plot") ?? figure.appendChild(Object.assign(document.createElement("div"), { className: "chart-plot" }));

  const fail = (figure, words) => {
    const notice = document.createElement("p");
    notice.className = "notice danger";
    notice.textContent = words;
    plotOf(figure).before(notice);
    throw new Error(words);
  };

  const draw = async (figure) => {
    const source = document.getElementById(figure.dataset.chartSource);
    if (!source) return;
    const given = JSON.parse(source.textContent);
    const theme = tokens();
    const data = given.data.map((trace) => dressed(trace, theme));
    const layout = { autosize: true, ...resolveColours(given.layout ?? {}, theme), template: template(theme) };
    theme.done();
    const plot = plotOf(figure);
    if (layout.height) plot.style.minHeight = `${layout.height}px`;
    await Plotly.react(plot, data, layout, { responsive: true, displayModeBar: false, displaylogo: false, showTips: false });
    figure.dataset.drawn = document.documentElement.dataset.theme ?? "system";
    // A bundle that lacks a trace type draws it as scatter without a word.
    data.forEach((trace, i) => {
      const asked = trace.type ?? "scatter";
      const drawn = plot._fullData?.[i]?.type;
      if (drawn && drawn !== asked) fail(figure, `This plot needs the trace type ${asked}, which is not in the bundle.`);
    });
    const button = figure.querySelector("[data-chart-download]");
    if (button) button.hidden = false;
  };

  const download = async (figure) => {
    const plot = plotOf(figure);
    const { width, height } = plot._fullLayout;
    const image = await Plotly.toImage(plot, { format: "svg", width, height });
    const link = Object.assign(document.createElement("a"), { href: image, download: `${figure.id || "plot"}.svg` });
    link.click();
  };

  const drawAll = (part) => {
    for (const figure of part.querySelectorAll("figure[data-chart-source]")) draw(figure);
  };
  // A plot keeps the width of the window; paper is narrower (186 mm between the margins of A4).
  const PAPER_PX = 690;
  const drawn = () => [...document.querySelectorAll("figure[data-drawn] .chart-plot")];
  addEventListener("beforeprint", () => {
    for (const plot of drawn()) if (plot._fullLayout.width > PAPER_PX) Plotly.relayout(plot, { autosize: false, width: PAPER_PX });
  });
  addEventListener("afterprint", () => {
    for (const plot of drawn()) Plotly.relayout(plot, { width: null, autosize: true });
  });
  document.addEventListener("DOMContentLoaded", () => drawAll(document));
  document.addEventListener("htmx:afterSettle", (event) => drawAll(event.target));
  document.addEventListener("themechange", () => drawAll(document));
  document.addEventListener("click", (event) => {
    const figure = event.target.closest("[data-chart-download]")?.closest("figure");
    if (figure) download(figure);
  });
})();
