"use strict";
(() => {
  const facts = JSON.parse(document.getElementById("inks").textContent);
  const state = { units: "metric", dark: matchMedia("(prefers-color-scheme: dark)").matches };
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
    const spec = breakTitles(specOf(id), box.clientWidth);
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
    longTables.push({ table, show, filter(test) { only = test; keep(); } });
  }

  // ---- start
  for (const script of document.querySelectorAll("script[data-table]")) {
    makeLong(document.getElementById(script.dataset.table), JSON.parse(script.textContent));
  }
  for (const table of document.querySelectorAll("table:not([data-long])")) {
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
  units.addEventListener("change", (event) => setUnits(event.target.value));
  drawAll();
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", (event) => { state.dark = event.matches; drawAll(); });
  addEventListener("beforeprint", () => { if (state.dark) { state.dark = false; drawAll(); } });
  addEventListener("afterprint", () => { state.dark = matchMedia("(prefers-color-scheme: dark)").matches; drawAll(); });
})();
