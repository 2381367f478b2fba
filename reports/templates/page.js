"use strict";
(() => {
  const facts = JSON.parse(document.getElementById("inks").textContent);
  const state = { units: "metric", dark: matchMedia("(prefers-color-scheme: dark)").matches, district: "", from: null, to: null };
  const paper = new URLSearchParams(location.search).get("paper");
  if (paper === "A4" || paper === "Letter") {
    const sheet = document.createElement("style");
    sheet.textContent = `@page { size: ${paper}; }`;
    document.head.append(sheet);
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
  function specOf(id) {
    let text = charts.get(id).text;
    if (state.dark) for (const role of Object.keys(facts.light)) text = text.replaceAll(facts.light[role], facts.dark[role]);
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
      axis.title.text = axis.title.text.replace(unit[1], other[0]);
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
  // a chart that is folded away has no width yet: it is drawn when it is unfolded
  const isFolded = (box) => box.closest("details.folded:not([open])") !== null;
  function draw(id) {
    const box = document.getElementById(id);
    if (isFolded(box)) return Promise.resolve(null);
    const spec = fillPicked(id, specOf(id));
    for (const [key, text] of Object.entries(breakTitles(spec.layout, (_, axis) => (box.clientWidth - 90) * spanOf(axis)))) {
      spec.layout[key.split(".")[0]].title.text = text;
    }
    return Plotly.react(box, spec.data, spec.layout, CONFIG).then(() => {
      addAnchors(box, spec.layout.meta);
      // long names at the side leave an axis less room than could be known before they were drawn
      const edge = box.getBoundingClientRect().right;
      if ([...box.querySelectorAll("[class$=title] text, text[class$=title]")].some((t) => t.getBoundingClientRect().right > edge)) {
        return Plotly.relayout(box, breakTitles(spec.layout, (key) => box._fullLayout[key]._length));
      }
      return null;
    });
  }
  // a chart that names places of the page for its rows: a click on a mark or on a name goes there
  function addAnchors(box, meta) {
    if (!meta || !meta.anchors || box.dataset.anchored) return;
    box.dataset.anchored = "1";
    const follow = (name) => { if (meta.anchors[name]) goTo(meta.anchors[name]); };
    box.on("plotly_click", (event) => follow(event.points[0].y));
    box.addEventListener("click", (event) => {
      const tick = event.target.closest(".ytick");
      if (tick) follow(tick.querySelector("text").dataset.unformatted || tick.textContent);
    });
  }
  function drawAll() { for (const id of charts.keys()) draw(id); }
  const folds = [...document.querySelectorAll("details.folded")];
  function drawIn(fold) { for (const box of fold.querySelectorAll(".chart")) draw(box.id); }
  for (const fold of folds) fold.addEventListener("toggle", () => { if (fold.open) drawIn(fold); });
  let unfolded = [];
  function unfoldAll() {
    unfolded = folds.filter((fold) => !fold.open);
    for (const fold of unfolded) { fold.open = true; drawIn(fold); }
  }
  function foldAgain() { for (const fold of unfolded) fold.open = false; unfolded = []; }
  if (paper) for (const fold of folds) fold.open = true;
  for (const script of document.querySelectorAll("script[data-chart]")) {
    charts.set(script.dataset.chart, { text: script.textContent });
  }

  // ---- units in sentences and in plain tables
  function writeUnits() {
    for (const span of document.querySelectorAll(".q")) {
      const [value, unit] = inUnits(Number(span.dataset.v), span.dataset.u);
      span.textContent = number(value, span.dataset.d === "" ? null : Number(span.dataset.d)) + "\u00a0" + (spoken[unit] || unit);
    }
    for (const table of document.querySelectorAll("table")) {
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
  // ---- a district and years: minutes by stage are worked out anew, tables with a district keep its rows
  const cellScript = document.querySelector("script[data-cells]");
  const cells = cellScript ? JSON.parse(cellScript.textContent) : null;
  const isPicked = () => state.district !== "" || (cells && (state.from > cells.years[0] || state.to < cells.years.at(-1)));
  // The same formulas as summarise() of the page's builder: limits with the term for skewness, interpolated percentiles.
  function summarise(counts) {
    const pairs = [...counts].sort((a, b) => a[0] - b[0]);
    const n = pairs.reduce((sum, p) => sum + p[1], 0);
    if (n === 0) return { n, mean: null, lo: null, hi: null, median: null, p90: null, four: null, eight: null };
    const over = (power, mean) => pairs.reduce((sum, p) => sum + p[1] * (p[0] - mean) ** power, 0) / n;
    const mean = over(1, 0);
    const spread = Math.sqrt(over(2, mean));
    const skewness = spread > 0 ? over(3, mean) / spread ** 3 : 0;
    const lean = (skewness * (cells.z ** 2 - 1)) / (6 * Math.sqrt(n));
    const ends = [];
    let end = 0;
    for (const p of pairs) ends.push((end += p[1]));
    const at = (rank) => pairs[ends.findIndex((e) => rank < e)][0];
    const quantile = (q) => {
      const place = q * (n - 1);
      const low = Math.floor(place);
      const below = at(low);
      return below + (place - low) * (at(Math.min(low + 1, n - 1)) - below);
    };
    const share = (limit) => pairs.reduce((sum, p) => sum + (p[0] > limit ? p[1] : 0), 0) / n;
    return {
      n, mean, lo: mean + (spread / Math.sqrt(n)) * (lean - cells.z), hi: mean + (spread / Math.sqrt(n)) * (lean + cells.z),
      median: quantile(0.5), p90: quantile(0.9), four: share(240), eight: share(480),
    };
  }
  function pickedStages() {
    const wanted = cells.districts.indexOf(state.district);
    const sums = cells.stages.map(() => new Map());
    for (const [district, year, stage, minutes, counts] of cells.cells) {
      if ((wanted >= 0 && district !== wanted) || year < state.from || year > state.to) continue;
      minutes.forEach((m, i) => sums[stage].set(m, (sums[stage].get(m) || 0) + counts[i]));
    }
    return sums.map(summarise);
  }
  function fillPicked(id, spec) {
    if (!cells || id !== cellScript.dataset.cells + "-chart" || !isPicked()) return spec;
    const stages = pickedStages();
    spec.data[0].x = stages.map((s) => s.mean);
    spec.data[0].error_x.array = stages.map((s) => s.hi - s.mean);
    spec.data[0].error_x.arrayminus = stages.map((s) => s.mean - s.lo);
    spec.data[1].x = stages.map((s) => s.median);
    spec.data[2].x = stages.map((s) => s.p90);
    return spec;
  }
  // the figure's sentence and count follow the choice: a sentence that contradicts its chart would be worse than none
  const wholeWords = new Map();
  const wholeOrder = cells ? [...document.getElementById(cellScript.dataset.cells + "-table").tBodies[0].rows] : [];
  function writePicked() {
    const box = document.getElementById(cellScript.dataset.cells);
    const sayIn = (part, text) => {
      if (!part) return;
      if (!wholeWords.has(part)) wholeWords.set(part, part.textContent);
      part.textContent = text === null ? wholeWords.get(part) : text;
    };
    const [head, count, few] = [box.querySelector("h3"), box.querySelector("dd.count"), box.querySelector(".few")];
    if (few) few.remove();
    if (!isPicked()) { sayIn(head, null); sayIn(count, null); return; }
    const stages = pickedStages();
    const whole = stages.at(-1);
    const fill = (text, given) => text.replace(/\{(\w+)\}/g, (_, key) => given[key]);
    const years = state.from === state.to ? `in ${state.from}` : `${state.from} to ${state.to}`;
    const given = {
      where: fill(cells.words.some, { district: state.district || cells.words.every_district, years }),
      mean: number(whole.mean, 0), lo: number(whole.lo, 0), hi: number(whole.hi, 0), locating: number(stages[2].mean, 0),
    };
    sayIn(head, fill(whole.n ? cells.words.finding : cells.words.none, given));
    const jobs = stages.map((s) => s.n);
    const [least, most] = [Math.min(...jobs), Math.max(...jobs)];
    const told = count && wholeWords.get(count) === undefined ? count.textContent : wholeWords.get(count);
    sayIn(count, fill(cells.words.count, { jobs: least === most ? number(most, 0) : `${number(least, 0)} to ${number(most, 0)}` })
      + " " + told.slice(told.indexOf("As of")));
    if (whole.n && whole.n < cells.small) {
      head.after(Object.assign(document.createElement("p"), { className: "few", textContent: fill(cells.words.few, { jobs: number(whole.n, 0) }) }));
    }
  }
  const filter = document.getElementById("filter");
  let pickedRows = null;
  let applied = "";
  function applyFilter() {
    let kept = 0;
    let all = 0;
    const picked = new Set(pickers.map((p) => p.table));
    for (const table of document.querySelectorAll("table:not([data-long])")) {
      if (picked.has(table)) continue;
      const place = [...table.tHead.rows[0].cells].findIndex((c) => c.dataset.c === "district_id");
      if (place < 0) continue;
      for (const row of table.tBodies[0].rows) {
        row.hidden = state.district !== "" && row.cells[place].textContent !== state.district;
        all += 1;
        kept += row.hidden ? 0 : 1;
      }
    }
    for (const picker of pickers) {
      if (!picker.hasDistrict) continue;
      if (applied !== state.district) picker.district(state.district);
      all += picker.total;
      kept += picker.count();
    }
    applied = state.district;
    if (cells) {
      // kept by row and not by place: the reader may have sorted the table
      pickedRows = pickedRows || wholeOrder.map((row) => [...row.cells].map((c) => c.textContent));
      const order = wholeOrder;
      if (isPicked()) {
        pickedStages().forEach((s, i) => {
          const texts = [s.n, s.mean, s.lo, s.hi, s.median, s.p90, s.four, s.eight].map((v, k) => number(v, k === 0 ? 0 : k < 6 ? 1 : null));
          order[i].querySelectorAll("td").forEach((cell, k) => { cell.textContent = texts[k]; });
        });
      } else {
        order.forEach((row, i) => [...row.cells].forEach((c, k) => { c.textContent = pickedRows[i][k]; }));
      }
      draw(cellScript.dataset.cells + "-chart");
      writePicked();
    }
    const status = filter.querySelector("[role=status]");
    const said = [];
    if (isPicked() && all) said.push(`${number(kept, 0)} of ${number(all, 0)} rows in the tables`);
    if (isPicked()) said.push(cells ? "figure 1 is of this choice, every other figure and sentence of all districts and years" : "charts and sentences are of all districts");
    status.textContent = said.join("; ");
  }
  function makeFilter() {
    const named = new Set(cells ? cells.districts : []);
    for (const picker of pickers) picker.districts().forEach((v) => v !== null && named.add(v));
    for (const head of document.querySelectorAll("table:not([data-long]) th[data-c=district_id]")) {
      for (const row of head.closest("table").tBodies[0].rows) named.add(row.cells[head.cellIndex].textContent);
    }
    if (named.size < 2) return;
    const [district, from, to] = filter.querySelectorAll("select");
    const option = (value) => Object.assign(document.createElement("option"), { value, textContent: value });
    district.append(...[...named].sort().map(option));
    if (cells) {
      from.append(...cells.years.map(option));
      to.append(...cells.years.map(option));
      state.from = cells.years[0];
      state.to = cells.years.at(-1);
    } else {
      for (const label of filter.querySelectorAll(".years")) label.hidden = true;
    }
    filter.hidden = false;
    filter.addEventListener("change", () => {
      state.district = district.value;
      if (cells) { state.from = Number(from.value); state.to = Number(to.value); }
      applyFilter();
      writeLink();
    });
  }
  function showFilter() {
    const [district, from, to] = filter.querySelectorAll("select");
    district.value = state.district;
    if (cells) { from.value = state.from; to.value = state.to; }
  }

  // ---- a link keeps what is chosen: page.html#figure&district=..&from=..&to=..&units=imperial
  function readLink() {
    const parts = location.hash.slice(1).split("&").filter(Boolean);
    const given = new URLSearchParams(parts.filter((p) => p.includes("=")).join("&"));
    let anchor = parts.find((p) => !p.includes("=")) || "";
    try { anchor = decodeURIComponent(anchor); } catch { anchor = ""; }
    return { anchor, given };
  }
  function linkTo(anchor) {
    const kept = new URLSearchParams();
    if (state.district) kept.set("district", state.district);
    if (cells && isPicked()) { kept.set("from", state.from); kept.set("to", state.to); }
    if (state.units === "imperial") kept.set("units", "imperial");
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
    for (const fold of folds) if (fold.parentElement === target) { fold.open = true; drawIn(fold); }
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
    if (given.get("units") === "imperial") setUnits("imperial");
    if (!filter.hidden) {
      const [district] = filter.querySelectorAll("select");
      const named = given.get("district") || "";
      state.district = [...district.options].some((o) => o.value === named) ? named : "";
      if (cells) {
        const year = (key, other) => (cells.years.includes(Number(given.get(key))) ? Number(given.get(key)) : other);
        state.from = year("from", cells.years[0]);
        state.to = year("to", cells.years.at(-1));
      }
      showFilter();
      applyFilter();
    }
    openAt(anchor);
  }

  // ---- start
  for (const script of document.querySelectorAll("script[data-table]")) {
    makeLong(document.getElementById(script.dataset.table), JSON.parse(script.textContent));
  }
  for (const table of document.querySelectorAll("table:not([data-long]):not([data-plain])")) {
    if (table.dataset.filters) makePicked(table);
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
    for (const long of longTables) long.show();
    drawAll();
  }
  units.addEventListener("change", (event) => { setUnits(event.target.value); writeLink(); });
  makeFilter();
  drawAll();
  followLink();
  addEventListener("hashchange", followLink);
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", (event) => { state.dark = event.matches; drawAll(); });
  addEventListener("beforeprint", () => { unfoldAll(); if (state.dark) { state.dark = false; drawAll(); } });
  addEventListener("afterprint", () => { foldAgain(); state.dark = matchMedia("(prefers-color-scheme: dark)").matches; drawAll(); });
})();
