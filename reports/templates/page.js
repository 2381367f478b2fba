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
  function breakTitles(spec, width) {
    for (const [key, axis] of Object.entries(spec.layout)) {
      if (!/^xaxis\d*$/.test(key) || !axis.title || !axis.title.text) continue;
      const span = axis.domain ? axis.domain[1] - axis.domain[0] : 1;
      const room = Math.max(14, Math.floor(((width - 90) * span) / 6.4));
      let line = 0;
      axis.title.text = axis.title.text.split(" ").reduce((text, word) => {
        line += word.length + 1;
        if (text && line > room) { line = word.length; return text + "<br>" + word; }
        return text ? text + " " + word : word;
      }, "");
    }
    return spec;
  }
  function draw(id) {
    const box = document.getElementById(id);
    const spec = breakTitles(fillPicked(id, specOf(id)), box.clientWidth);
    return Plotly.react(box, spec.data, spec.layout, CONFIG);
  }
  function drawAll() { for (const id of charts.keys()) draw(id); }
  for (const script of document.querySelectorAll("script[data-chart]")) {
    charts.set(script.dataset.chart, { text: script.textContent });
  }

  // ---- units in sentences and in plain tables
  function writeUnits() {
    for (const span of document.querySelectorAll("span.q")) {
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

  // ---- sorting: a button in each heading
  function valueOf(cell) {
    if (cell.dataset.v !== undefined) return Number(cell.dataset.v);
    const text = cell.textContent.trim();
    if (text === MISSING || text === "") return null;
    const bare = text.replaceAll(",", "").replace("−", "-");
    return bare !== "" && !Number.isNaN(Number(bare)) ? Number(bare) : text;
  }
  function compare(a, b) {
    if (a === null || b === null) return a === b ? 0 : a === null ? 1 : -1;
    if (typeof a === "number" && typeof b === "number") return a - b;
    return String(a).localeCompare(String(b), "en", { numeric: true });
  }
  function direct(a, b, down) {
    return a === null || b === null ? compare(a, b) : down ? -compare(a, b) : compare(a, b);
  }
  function addSorting(table, sort) {
    [...table.tHead.rows[0].cells].forEach((head, place) => {
      const rows = table.tBodies[0].rows;
      if (rows.length && rows[0].cells[place].classList.contains("n")) head.classList.add("n");
      const small = head.querySelector("small");
      const button = document.createElement("button");
      button.type = "button";
      button.textContent = [...head.childNodes].filter((n) => n !== small).map((n) => n.textContent).join("").trim();
      head.replaceChildren(button, ...(small ? [small] : []));
      button.addEventListener("click", () => {
        const down = head.getAttribute("aria-sort") === "ascending";
        for (const other of table.tHead.rows[0].cells) other.removeAttribute("aria-sort");
        head.setAttribute("aria-sort", down ? "descending" : "ascending");
        sort(place, down);
      });
    });
  }
  function sortRows(table, place, down) {
    const body = table.tBodies[0];
    const rows = [...body.rows].map((row) => [valueOf(row.cells[place]), row]);
    rows.sort((a, b) => direct(a[0], b[0], down));
    body.append(...rows.map((pair) => pair[1]));
  }

  // ---- long tables: all rows as data, fifty drawn at a time
  const SHOWN = 50;
  const longTables = [];
  function makeLong(table, columns) {
    for (const column of columns) {
      if (column.texts) column.values = column.values.map((place) => (place === null ? null : column.texts[place]));
    }
    const total = columns[0].values.length;
    let order = Array.from({ length: total }, (_, i) => i);
    let kept = order;
    let from = 0;
    let needle = "";
    let only = null;
    const pager = document.createElement("div");
    pager.className = "pager";
    pager.innerHTML = '<label>Find <input type="search"></label><button type="button">Earlier</button><button type="button">Later</button><span role="status"></span>';
    const [earlier, later] = pager.querySelectorAll("button");
    const search = pager.querySelector("input");
    table.closest(".scroller").before(pager);
    const texts = columns.filter((c) => c.kind === "text" || c.kind === "date");
    function written(column, i) {
      const value = column.values[i];
      if (value === null) return MISSING;
      if (typeof value !== "number") return value;
      return number(inUnits(value, column.unit)[0], column.kind === "integer" ? 0 : column.decimals);
    }
    function show() {
      const rows = kept.slice(from, from + SHOWN).map((i) => {
        const row = document.createElement("tr");
        columns.forEach((column, place) => {
          const cell = document.createElement(place ? "td" : "th");
          if (!place) cell.scope = "row";
          if (column.kind === "number" || column.kind === "integer") cell.className = "n";
          else if (typeof column.values[i] === "string" && column.values[i].length > 30) cell.className = "w";
          cell.textContent = written(column, i);
          row.append(cell);
        });
        return row;
      });
      table.tBodies[0].replaceChildren(...rows);
      earlier.disabled = from === 0;
      later.disabled = from + SHOWN >= kept.length;
      pager.querySelector("span").textContent = kept.length
        ? `Rows ${number(from + 1, 0)} to ${number(Math.min(from + SHOWN, kept.length), 0)} of ${number(kept.length, 0)}`
        : "No row matches";
    }
    function keep() {
      kept = order.filter((i) => (!only || only(columns, i)) && (!needle || texts.some((c) => c.values[i] !== null && c.values[i].toLowerCase().includes(needle))));
      from = 0;
      show();
    }
    earlier.addEventListener("click", () => { from = Math.max(0, from - SHOWN); show(); });
    later.addEventListener("click", () => { from += SHOWN; show(); });
    search.addEventListener("input", () => { needle = search.value.trim().toLowerCase(); keep(); });
    table.caption.textContent = table.caption.textContent.replace(/: the first .*/, "");
    addSorting(table, (place, down) => {
      const values = columns[place].values;
      order.sort((a, b) => direct(values[a], values[b], down) || a - b);
      keep();
    });
    show();
    longTables.push({ table, columns, show, kept: () => kept.length, filter(test) { only = test; keep(); } });
  }

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
  const filter = document.getElementById("filter");
  let pickedRows = null;
  function applyFilter() {
    let kept = 0;
    let all = 0;
    for (const table of document.querySelectorAll("table:not([data-long])")) {
      const place = [...table.tHead.rows[0].cells].findIndex((c) => c.dataset.c === "district_id");
      if (place < 0) continue;
      for (const row of table.tBodies[0].rows) {
        row.hidden = state.district !== "" && row.cells[place].textContent !== state.district;
        all += 1;
        kept += row.hidden ? 0 : 1;
      }
    }
    for (const long of longTables) {
      const place = long.columns.findIndex((c) => c.name === "district_id");
      if (place < 0) continue;
      long.filter(state.district === "" ? null : (columns, i) => columns[place].values[i] === state.district);
      all += long.columns[0].values.length;
      kept += long.kept();
    }
    if (cells) {
      const table = document.getElementById(cellScript.dataset.cells + "-table");
      pickedRows = pickedRows || [...table.tBodies[0].rows].map((row) => [...row.cells].map((c) => c.textContent));
      const order = [...table.tBodies[0].rows];
      if (isPicked()) {
        pickedStages().forEach((s, i) => {
          const texts = [s.n, s.mean, s.lo, s.hi, s.median, s.p90, s.four, s.eight].map((v, k) => number(v, k === 0 ? 0 : k < 6 ? 1 : null));
          order[i].querySelectorAll("td").forEach((cell, k) => { cell.textContent = texts[k]; });
        });
      } else {
        order.forEach((row, i) => [...row.cells].forEach((c, k) => { c.textContent = pickedRows[i][k]; }));
      }
      draw(cellScript.dataset.cells + "-chart");
    }
    const status = filter.querySelector("[role=status]");
    status.textContent = isPicked() && all ? `${number(kept, 0)} of ${number(all, 0)} rows in the tables; charts show all districts` : "";
  }
  function makeFilter() {
    const named = new Set(cells ? cells.districts : []);
    for (const long of longTables) for (const c of long.columns) if (c.name === "district_id") c.values.forEach((v) => v !== null && named.add(v));
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
    return { anchor: parts.find((p) => !p.includes("=")) || "", given };
  }
  function writeLink() {
    const kept = new URLSearchParams();
    if (state.district) kept.set("district", state.district);
    if (cells && isPicked()) { kept.set("from", state.from); kept.set("to", state.to); }
    if (state.units === "imperial") kept.set("units", "imperial");
    const text = [readLink().anchor, kept.toString()].filter(Boolean).join("&");
    try { history.replaceState(null, "", "#" + text); } catch { location.hash = text; }
  }
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
    const target = anchor && document.getElementById(anchor);
    if (target) target.scrollIntoView();
  }

  // ---- start
  for (const script of document.querySelectorAll("script[data-table]")) {
    makeLong(document.getElementById(script.dataset.table), JSON.parse(script.textContent));
  }
  for (const table of document.querySelectorAll("table:not([data-long]):not([data-plain])")) {
    if (table.tBodies[0].rows.length > 1) addSorting(table, (place, down) => sortRows(table, place, down));
  }
  const units = document.getElementById("units");
  if (document.querySelector("span.q, [data-v]") || [...charts.values()].some((c) => Object.keys(facts.units).some((u) => c.text.includes("[" + u + "]")))) {
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
  addEventListener("beforeprint", () => { if (state.dark) { state.dark = false; drawAll(); } });
  addEventListener("afterprint", () => { state.dark = matchMedia("(prefers-color-scheme: dark)").matches; drawAll(); });
})();
