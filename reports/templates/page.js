"use strict";
(() => {
  const facts = JSON.parse(document.getElementById("inks").textContent);
  const query = new URLSearchParams(location.search);
  const state = { units: "metric", dark: matchMedia("(prefers-color-scheme: dark)").matches };
  const paper = query.get("paper");
  if (paper === "A4" || paper === "Letter") {
    const sheet = new CSSStyleSheet();
    sheet.replaceSync(`@page { size: ${paper}; }`);
    document.adoptedStyleSheets = [sheet];
  }
  const MISSING = "–";

  // ---- numbers, written as the page itself writes them
  function number(value, decimals) {
    if (value === null || value === undefined || Number.isNaN(value)) return MISSING;
    if (decimals === null || decimals === undefined || decimals === "") {
      const size = Math.abs(value);
      decimals = size >= 100 || Number.isInteger(value) ? 0 : size >= 10 ? 1 : size >= 0.095 ? 2 : 3;
    }
    const text = value.toLocaleString("en-US", { minimumFractionDigits: decimals, maximumFractionDigits: decimals });
    return /[1-9]/.test(text) ? text.replace("-", "−") : text.replace("-", "");
  }
  const spoken = {
    "1/(100 km year)": "per 100 km and year", "1/(100 mi year)": "per 100 miles and year",
    "1/km": "per km", "1/mi": "per mile",
  };
  function inUnits(value, unit) {
    const other = state.units === "imperial" ? facts.units[unit] : undefined;
    return other ? [value * other[1], other[0]] : [value, unit];
  }
  const decimalsOf = facts.decimals;

  // ---- charts
  const charts = new Map();
  for (const script of document.querySelectorAll("script[data-chart]")) {
    charts.set(script.dataset.chart, { text: script.textContent, isDrawn: false });
  }
  function specOf(id, dark) {
    let text = charts.get(id).text;
    if (dark) for (const role of Object.keys(facts.light)) text = text.replaceAll(facts.light[role], facts.dark[role]);
    const spec = JSON.parse(text);
    if (state.units === "imperial") convert(spec);
    return spec;
  }
  // The unit of an axis stands in brackets at the end of its title; data on that axis are converted with it.
  function convert(spec) {
    const factor = {};
    for (const [key, axis] of Object.entries(spec.layout)) {
      if (!/^[xy]axis\d*$/.test(key) || !axis.title || !axis.title.text) continue;
      const unit = /\[(.+)\]$/.exec(axis.title.text);
      const other = unit && facts.units[unit[1]];
      if (!other) continue;
      axis.title.text = axis.title.text.replace(unit[0], `[${other[0]}]`);
      if (axis.range) axis.range = axis.range.map((v) => (axis.type === "log" ? v + Math.log10(other[1]) : v * other[1]));
      if (axis.tickvals) { delete axis.tickvals; delete axis.ticktext; axis.tickmode = "auto"; }
      factor[key.replace("axis", "")] = [other[1], unit[1], other[0]];
    }
    const scaled = (values, by) => (Array.isArray(values) ? values.map((v) => (typeof v === "number" ? v * by : v)) : values);
    for (const trace of spec.data) {
      for (const side of ["x", "y"]) {
        const found = factor[trace[side + "axis"] || side];
        if (!found) continue;
        const [by, from, to] = found;
        trace[side] = scaled(trace[side], by);
        const bars = trace["error_" + side];
        if (bars) { bars.array = scaled(bars.array, by); bars.arrayminus = scaled(bars.arrayminus, by); }
        if (typeof trace.hovertemplate === "string") trace.hovertemplate = trace.hovertemplate.replaceAll("[" + from + "]", "[" + to + "]");
      }
    }
    for (const item of [...(spec.layout.shapes || []), ...(spec.layout.annotations || [])]) {
      for (const key of ["x", "x0", "x1", "y", "y0", "y1"]) {
        const found = factor[item[key[0] + "ref"]];
        if (found && typeof item[key] === "number") item[key] *= found[0];
      }
    }
  }
  const CONFIG = { displayModeBar: false, responsive: true, displaylogo: false, plotlyServerURL: "", showTips: false };
  // plotly does not break a long axis title; on a narrow screen it would be cut off
  function breakTitles(layout, roomOf) {
    const broken = {};
    for (const [key, axis] of Object.entries(layout)) {
      if (!/^xaxis\d*$/.test(key) || !axis.title || !axis.title.text) continue;
      const room = Math.max(14, Math.floor(roomOf(key, axis) / 6.4));
      let line = 0;
      broken[key + ".title.text"] = axis.title.text.replaceAll("<br>", " ").split(" ").reduce((text, word) => {
        line += word.length + 1;
        if (text && line > room) { line = word.length; return text + "<br>" + word; }
        return text ? text + " " + word : word;
      }, "");
    }
    return broken;
  }
  const spanOf = (axis) => (axis.domain ? axis.domain[1] - axis.domain[0] : 1);
  function draw(id, box = document.getElementById(id), dark = state.dark) {
    const spec = specOf(id, dark);
    charts.get(id).isDrawn ||= box.id === id;
    for (const [key, text] of Object.entries(breakTitles(spec.layout, (_, axis) => (box.clientWidth - 90) * spanOf(axis)))) {
      spec.layout[key.split(".")[0]].title.text = text;
    }
    return Plotly.react(box, spec.data, spec.layout, CONFIG).then(() => {
      addLinks(box, (spec.layout.meta || {}).anchors || {});
      // long names at the side leave an axis less room than could be known before they were drawn
      const edge = box.getBoundingClientRect().right;
      if ([...box.querySelectorAll("[class$=title] text, text[class$=title]")].some((t) => t.getBoundingClientRect().right > edge)) {
        return Plotly.relayout(box, breakTitles(spec.layout, (key) => box._fullLayout[key]._length));
      }
      return null;
    });
  }
  // a click on a mark or on a name of the axis goes where it leads
  function follow(address) { if (address) location.href = address; }
  function addLinks(box, anchors) {
    if (box.dataset.linked) return;
    box.dataset.linked = "1";
    box.classList.toggle("leads", Object.keys(anchors).length > 0);
    const led = (event) => {
      const { data, pointNumber, y } = event.points[0];
      return ((data.meta || {}).to || [])[pointNumber] || anchors[y];
    };
    box.on("plotly_click", (event) => follow(led(event)));
    box.on("plotly_hover", (event) => box.classList.toggle("on", Boolean(led(event))));
    box.on("plotly_unhover", () => box.classList.remove("on"));
    box.addEventListener("click", (event) => {
      const tick = event.target.closest(".ytick");
      if (tick) follow(anchors[tick.querySelector("text").dataset.unformatted || tick.textContent]);
    });
  }
  function redraw() { for (const [id, chart] of charts) if (chart.isDrawn) draw(id); }
  function drawAll() { for (const [id, chart] of charts) if (!chart.isDrawn) draw(id); }
  // charts are drawn as they come near the view; one that is folded away is in no view
  const watcher = new IntersectionObserver((entries) => {
    for (const { isIntersecting, target } of entries) if (isIntersecting && !charts.get(target.id).isDrawn) draw(target.id);
  }, { rootMargin: "900px" });
  for (const id of charts.keys()) {
    const box = document.getElementById(id);
    box.style.height = box.dataset.h + "px";
    watcher.observe(box);
  }
  const folds = [...document.querySelectorAll(".exhibit details")];
  let unfolded = [];
  function unfoldAll() {
    unfolded = folds.filter((fold) => !fold.open);
    for (const fold of unfolded) fold.open = true;
    drawAll();
  }
  function foldAgain() { for (const fold of unfolded) fold.open = false; unfolded = []; }
  if (paper) unfoldAll();
  // a sheet or brief is handed on as a PDF: a link would lead to a file of this machine
  if (paper) for (const link of document.querySelectorAll(".side a:not([href^='#'])")) link.removeAttribute("href");

  // ---- units in sentences and in plain tables
  function writeUnits() {
    for (const span of document.querySelectorAll(".q")) {
      const [value, unit] = inUnits(Number(span.dataset.v), span.dataset.u);
      span.textContent = number(value, span.dataset.d === "" ? null : Number(span.dataset.d)) + "\u00a0" + (spoken[unit] || unit);
    }
    for (const link of document.querySelectorAll("a[data-units]")) link.hash = state.units === "imperial" ? "units=imperial" : "";
    for (const table of document.querySelectorAll("table:has(thead)")) {
      [...table.tHead.rows[0].cells].forEach((head, place) => {
        const unit = head.dataset.u;
        if (!facts.units[unit]) return;
        const shown = inUnits(1, unit)[1];
        head.querySelector("small").textContent = shown;
        for (const row of table.tBodies[0].rows) {
          const cell = row.cells[place];
          if (cell && cell.dataset.v !== undefined) cell.textContent = number(inUnits(Number(cell.dataset.v), unit)[0], decimalsOf[unit]);
        }
      });
    }
  }

{% include "tables.js" %}
{% include "save.js" %}
  // ---- a link keeps what is chosen: page.html#figure&units=imperial
  function readLink() {
    const parts = location.hash.slice(1).split("&").filter(Boolean);
    const given = new URLSearchParams(parts.filter((p) => p.includes("=")).join("&"));
    let anchor = parts.find((p) => !p.includes("=")) || "";
    try { anchor = decodeURIComponent(anchor); } catch { anchor = ""; }
    return { anchor, given };
  }
  function linkTo(anchor) {
    const kept = new URLSearchParams(state.units === (query.get("units") || "metric") ? "" : { units: state.units });
    return "#" + [encodeURIComponent(anchor), kept.toString()].filter(Boolean).join("&");
  }
  function writeLink() {
    const link = linkTo(readLink().anchor);
    try { history.replaceState(null, "", link); } catch { location.hash = link; }
  }
  // a link within the page keeps what is chosen, and works again where it was followed before
  function goTo(anchor) {
    const link = linkTo(anchor);
    if (location.hash === link) openAt(anchor);
    else location.hash = link;
  }
  function openAt(anchor) {
    const target = anchor && document.getElementById(anchor);
    if (!target) return;
    for (let part = target.closest("details"); part; part = part.parentElement.closest("details")) part.open = true;
    for (const fold of folds) if (fold.parentElement === target) fold.open = true;
    target.scrollIntoView();
    const summary = target.matches("details") && target.querySelector("summary");
    if (summary) summary.focus({ preventScroll: true });
  }
  document.addEventListener("click", (event) => {
    const link = event.target.closest && event.target.closest("a[href^='#']:not(.skip)");
    if (!link || event.ctrlKey || event.metaKey || event.shiftKey) return;
    event.preventDefault();
    goTo(decodeURIComponent(link.getAttribute("href").slice(1)));
  });
  function followLink() {
    const { anchor, given } = readLink();
    const asked = (given.get("units") || query.get("units")) === "imperial" ? "imperial" : "metric";
    if (asked !== state.units) setUnits(asked);
    openAt(anchor);
  }

  // ---- a tick of a picked list asks for the list as it is ticked now
  document.addEventListener("change", (event) => {
    if (event.target.type === "checkbox" && event.target.form && event.target.form.id === "pick") event.target.form.requestSubmit();
  });

  // ---- start
  for (const table of document.querySelectorAll("table:not([data-plain])")) {
    makePicked(table);
    if (table.tBodies[0].rows.length > 1) addSorting(table, (place, down) => sortRows(table, place, down));
  }
  const units = document.getElementById("units");
  if (document.querySelector(".q, [data-v]") || [...charts.values()].some((c) => Object.keys(facts.units).some((u) => c.text.includes("[" + u + "]")))) {
    units.hidden = false;
  }
  function setUnits(value) {
    state.units = value;
    units.querySelector(`[value=${value}]`).checked = true;
    writeUnits();
    for (const tally of tallies) tally();
    redraw();
  }
  units.addEventListener("change", (event) => { setUnits(event.target.value); writeLink(); });
  followLink();
  addEventListener("hashchange", followLink);
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", (event) => { state.dark = event.matches; redraw(); });
  addEventListener("beforeprint", () => { if (state.dark) { state.dark = false; redraw(); } unfoldAll(); });
  addEventListener("afterprint", () => { foldAgain(); state.dark = matchMedia("(prefers-color-scheme: dark)").matches; redraw(); });
})();
