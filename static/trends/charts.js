"use strict";
// Draws the figures that the server has made: fetches them, puts in the page's colours, opens a visit on a tap.
(() => {
  const config = { displayModeBar: false, responsive: true, scrollZoom: false, doubleClick: false, showTips: false };
  const kept = new WeakMap(); // section -> figures by name
  const source = document.currentScript.dataset.plotly;

  const coloured = (part, styles) => {
    if (typeof part === "string") return part.startsWith("--") ? styles.getPropertyValue(part).trim() : part;
    if (Array.isArray(part)) return part.map((one) => coloured(one, styles));
    if (part === null || typeof part !== "object" || "bdata" in part) return part;
    return Object.fromEntries(Object.entries(part).map(([key, value]) => [key, coloured(value, styles)]));
  };

  const common = (styles) => {
    const family = styles.getPropertyValue("--sans").trim();
    const ink = styles.getPropertyValue("--ink").trim();
    const rule = styles.getPropertyValue("--rule").trim();
    const sheet = styles.getPropertyValue("--sheet").trim();
    return {
      paper_bgcolor: sheet, plot_bgcolor: sheet, dragmode: false, hovermode: "closest", hoverdistance: 24,
      font: { family, size: 14, color: ink },
      hoverlabel: { bgcolor: sheet, bordercolor: ink, font: { family, size: 15, color: ink }, align: "left" },
      axis: { gridcolor: rule, linecolor: rule, zerolinecolor: rule, fixedrange: true },
    };
  };

  const laidOut = (layout, styles) => {
    const { axis, ...rest } = common(styles);
    const axes = Object.keys(layout).filter((key) => /^[xy]axis/.test(key));
    const dressed = Object.fromEntries(axes.map((key) => [key, { ...axis, ...layout[key] }]));
    return { ...rest, ...layout, ...dressed };
  };

  const openVisit = (event) => {
    const said = event.points[0].customdata;
    if (said && said[1]) window.location.assign(said[1]);
  };

  // On paper a chart has the width of its box as it is then, and one taller than a sheet is made smaller as a whole.
  const SHEET_PX = 930;
  const fitSheet = (box, layout) => {
    box.style.zoom = "";
    if (!document.documentElement.matches(".printing")) return; // on the screen it is as wide as its box by itself
    const smaller = Math.min(1, SHEET_PX / layout.height);
    layout.width = Math.floor(box.clientWidth / smaller);
    if (smaller < 1) box.style.zoom = smaller;
  };

  const drawOne = (box, figure) => {
    const styles = getComputedStyle(document.documentElement);
    const { data, layout } = coloured(figure, styles);
    if (!box.drawn) box.replaceChildren();
    box.style.height = `${layout.height}px`; // so that turning the tablet changes the width alone
    fitSheet(box, layout);
    Plotly.react(box, data, laidOut(layout, styles), config);
    if (!box.drawn) box.on("plotly_click", openVisit);
    box.drawn = true;
  };

  const figures = (section) =>
    [...section.querySelectorAll("[data-figure]")]
      .map((box) => [box, kept.get(section)?.[box.dataset.figure]])
      .filter(([, figure]) => figure);

  const drawAll = (section) => figures(section).forEach(([box, figure]) => drawOne(box, figure));

  // One chart, then a frame for the screen: the first is seen before the last is drawn.
  const drawFirst = async (section) => {
    for (const [box, figure] of figures(section)) {
      if (!section.isConnected) return;
      if (!box.drawn) drawOne(box, figure);
      await new Promise((go) => setTimeout(go));
    }
  };

  // The library's own file is read while the figures are on their way, after the page's words and numbers stand.
  let library = null;
  const plotly = () => {
    library ??= new Promise((loaded, failed) => {
      const script = document.createElement("script");
      Object.assign(script, { src: source, onload: loaded, onerror: failed });
      document.head.append(script);
    });
    return library;
  };

  const fail = (section) => {
    for (const box of section.querySelectorAll("[data-figure]")) {
      if (!box.drawn) box.textContent = "The chart could not be fetched; its numbers are in the tables below.";
    }
  };

  const start = async (section) => {
    if (section.started) return;
    section.started = true;
    if (!section.querySelector("[data-figure]")) return;
    try {
      const asked = fetch(section.dataset.figures, { headers: { Accept: "application/json" } });
      const [answer] = await Promise.all([asked, plotly()]);
      if (!answer.ok || !section.isConnected) return fail(section);
      kept.set(section, await answer.json());
    } catch {
      return fail(section);
    }
    if (section.isConnected) await drawFirst(section);
  };

  const startAll = () => document.querySelectorAll("[data-figures]").forEach(start);
  startAll(); // deferred: the page stands
  document.addEventListener("htmx:afterSettle", startAll);
  document.addEventListener("htmx:beforeSwap", (event) => {
    for (const box of event.detail.target.querySelectorAll("[data-figure]")) if (box.drawn) Plotly.purge(box);
  });
  const again = () => {
    for (const section of document.querySelectorAll("[data-figures]")) if (kept.has(section) && window.Plotly) drawAll(section);
  };
  window.matchMedia("(prefers-color-scheme: dark)").addEventListener("change", again);

  // On paper: the page takes the width and the colours of a sheet first, then every chart is drawn anew for them.
  const onPaper = (printing) => {
    document.documentElement.classList.toggle("printing", printing);
    again();
  };
  window.addEventListener("beforeprint", () => onPaper(true));
  window.addEventListener("afterprint", () => onPaper(false));
})();
