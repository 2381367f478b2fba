"use strict";
// The field card: the same arithmetic as pipelines/locating/window.py, on the lines of the last refresh.
(() => {
  const facts = JSON.parse(document.getElementById("card-facts").textContent);
  const at = (id) => document.getElementById("card-" + id);
  const C = 299.792458, FT = 0.3048, REFERENCE = 53;
  const PERCENT = { percent: 1, m_per_us: 100 / C, half_m_per_us: 200 / C, ft_per_us: 100 * FT / C, half_ft_per_us: 200 * FT / C };
  const lines = new Map(facts.lines.map((line) => [line[0] + "|" + line[1], line]));
  const loops = new Map(facts.loops.map((loop) => [loop[0], loop]));
  const full = (loop, name) => (name.startsWith("~") ? loop + name.slice(1) : name);
  const text = (m) => `${m.toFixed(1)} m (${(m / FT).toFixed(0)} ft)`;

  function options(select, pairs) {
    select.replaceChildren(...pairs.map(([value, words]) => new Option(words, value)));
  }
  options(at("instrument"), [["", "not on record"], ...[...new Set(facts.lines.map((l) => l[0]).filter((i) => i))].map((i) => [i, i])]);
  at("loops").replaceChildren(...facts.loops.map((loop) => new Option(loop[0])));

  // ---- the way: parts in the order they are passed, the last one without an end
  function addClass() {
    const row = document.createElement("p");
    const select = document.createElement("select");
    options(select, facts.classes.map((name, k) => [k, name]));
    select.setAttribute("aria-label", "Cable class");
    const length = document.createElement("input");
    Object.assign(length, { type: "number", min: "0", step: "any", placeholder: "to the end" });
    length.setAttribute("aria-label", "Length of this class in metres, empty: to the end");
    row.append(select, " for ", length, " m");
    at("classes").append(row);
  }
  function classWay() {
    return [...at("classes").children].map((row) => ({
      k: Number(row.querySelector("select").value), route: Number(row.querySelector("input").value) || Infinity,
      near: 0, far: 0, name: "",
    }));
  }
  function loopWay() {
    const loop = loops.get(at("loop").value);
    if (!loop) return [];
    const stops = [loop[1], ...loop.slice(2).map((s) => [s[3], s[4]])];
    const from = Number(at("from").value), towards = Number(at("towards").value);
    const parts = [];
    for (let i = from; towards > 0 ? i < stops.length - 1 : i > 0; i += towards) {
      const section = loop[towards > 0 ? i + 2 : i + 1];
      const near = stops[i][1], far = stops[i + towards][1];
      parts.push({ k: section[1], route: Math.max(section[2] - near - far, 0) / (1 + facts.slack), near, far, name: full(loop[0], section[0]) });
    }
    return parts;
  }
  function listStops() {
    const loop = loops.get(at("loop").value);
    const stops = loop ? [loop[1][0], ...loop.slice(2).map((s) => s[3])] : [];
    options(at("from"), stops.map((stop, i) => [i, full(loop[0], stop)]));
    listNeighbours();
  }
  function listNeighbours() {
    const loop = loops.get(at("loop").value);
    const stops = loop ? [loop[1][0], ...loop.slice(2).map((s) => s[3])] : [];
    const from = Number(at("from").value);
    const pairs = [];
    if (from + 1 < stops.length) pairs.push([1, full(loop[0], stops[from + 1])]);
    if (from > 0 && stops.length) pairs.push([-1, full(loop[0], stops[from - 1])]);
    options(at("towards"), pairs);
  }

  // ---- the arithmetic
  function correct(reading, instrument, way) {
    const line = (k) => lines.get(instrument + "|" + k) || lines.get("|" + k);
    let left = reading - line(way[0].k)[2], start = 0;
    const passed = new Map();
    for (let i = 0; i < way.length; i++) {
      const part = way[i], slope = line(part.k)[3], tail = slope / (1 + facts.slack);
      const is_last = i === way.length - 1 || part.route === Infinity;
      const room = slope * part.route + tail * (part.near + part.far);
      if (is_last || left <= room) {
        const into = Math.max((left - tail * part.near) / slope, 0);
        passed.set(part.k, (passed.get(part.k) || 0) + into);
        return { distance: start + into, k: part.k, passed, beyond: i === way.length - 1 && into > part.route };
      }
      left -= room;
      start += part.route;
      passed.set(part.k, (passed.get(part.k) || 0) + part.route);
    }
  }
  // Share by which readings of a class are long on the day given; none without a day or where the data show none.
  function seasonShift(k) {
    const season = facts.seasons[k], day = at("day").value;
    if (!season || !day) return 0;
    const [year, month, date] = day.split("-").map(Number);
    const ofYear = (Date.UTC(year, month - 1, date) - Date.UTC(year, 0, 0)) / 86400000;
    return season[0] * Math.cos(2 * Math.PI * (ofYear - season[1]) / 365.25);
  }
  // on a way of several classes the errors of their slopes are taken to move together
  function standardError(found, instrument) {
    const line = (k) => lines.get(instrument + "|" + k) || lines.get("|" + k);
    let variance = line(found.k)[4] + line(found.k)[7], slopes = 0, growing = 0;
    for (const [k, length] of found.passed) {
      variance += 2 * length * line(k)[5];
      slopes += length * Math.sqrt(line(k)[6]);
      growing += length * Math.sqrt(line(k)[8]);
    }
    return Math.sqrt(Math.max(variance + slopes ** 2 + growing ** 2, 0)) / line(found.k)[3];
  }
  function touched(way, low, high) {
    const names = [];
    let start = 0;
    for (const part of way) {
      if (part.name && start < high && start + part.route > low) names.push(part.name);
      start += part.route;
    }
    return names;
  }

  function show() {
    const result = at("result");
    const say = (words) => { result.replaceChildren(Object.assign(document.createElement("p"), { textContent: words })); };
    const byLoop = document.querySelector("[name=card-way]:checked").value === "loop";
    at("along").hidden = !byLoop;
    at("classes").hidden = at("add").hidden = byLoop;
    const way = byLoop ? loopWay() : classWay();
    const distance = Number(at("distance").value) * (at("unit").value === "ft" ? FT : 1);
    const setting = Number(at("setting").value) * PERCENT[at("convention").value];
    if (!(distance > 0)) return say("Give the displayed distance.");
    if (!way.length) return say("Give the loop, the terminal tested from and the one measured towards.");
    if (!(setting >= 30 && setting <= 80)) return say("Give the setting: 30 to 80 % of c, or the same in the unit chosen.");
    const instrument = at("instrument").value;
    const reading = distance * REFERENCE / setting;
    // the season is that of the class the reading ends in
    const shift = seasonShift(correct(reading, instrument, way).k);
    const found = correct(reading / (1 + shift), instrument, way);
    if (found.distance <= 0) return say("The corrected distance is at the terminal itself: the reading is within the instrument's offset.");
    const error = standardError(found, instrument);
    const rows = facts.quantiles.map(([level, quantile]) => {
      const low = Math.max(found.distance - quantile * error, 0), high = found.distance + quantile * error;
      const names = touched(way, low, high);
      const tested = facts.held.find((h) => h[0] === facts.classes[found.k] && h[1] === level) || facts.held.find((h) => h[0] === "all" && h[1] === level);
      return [
        `${Math.round(level * 100)} % window`, `${text(low)} to ${text(high)}`, names.join(", "),
        tested ? `such windows held ${tested[2]} of ${tested[3]} past digs (${Math.round(100 * tested[2] / tested[3])} %)` : "not back-tested",
      ];
    });
    const head = document.createElement("p");
    head.className = "card-answer";
    head.dataset.corrected = found.distance.toFixed(3);
    head.dataset.error = error.toFixed(4);
    head.textContent = `Look about ${text(found.distance)} along the route from the terminal tested from.`;
    const table = document.createElement("table");
    const body = table.createTBody();
    for (const cells of rows) {
      const row = body.insertRow();
      for (const cell of cells) row.insertCell().textContent = cell;
    }
    result.replaceChildren(head, table);
    if (shift) {
      const note = document.createElement("p");
      note.textContent = `Season taken off: readings of this cable are ${(100 * Math.abs(shift)).toFixed(1)} % ${shift > 0 ? "long" : "short"} on that day.`;
      result.append(note);
    }
    const drift = facts.drifts[instrument];
    if (drift) {
      const note = document.createElement("p");
      note.className = "caution";
      note.textContent = `${instrument} drifts by ${drift[0].toFixed(2)} % a year since ${drift[2]}: its latest readings are ${Math.abs(drift[1]).toFixed(1)} % ${drift[1] > 0 ? "long" : "short"} of this correction, ${text(Math.abs(drift[1]) / 100 * found.distance)} here. The windows do not take that off; have it checked on a run of known length.`;
      result.append(note);
    }
    const usual = facts.own_settings[instrument + "|" + way[0].k];
    if (usual !== undefined && Math.abs(usual - setting) > 0.05) {
      const note = document.createElement("p");
      note.textContent = `The median setting of ${instrument} on ${facts.classes[way[0].k]} is ${usual.toFixed(1)} % of c; here ${setting.toFixed(1)} is taken.`;
      result.append(note);
    }
    if (found.beyond) {
      const note = document.createElement("p");
      note.textContent = "The corrected distance lies beyond the last section of the register on this side.";
      result.append(note);
    }
  }

  addClass();
  at("classes").querySelector("select").value = facts.usual;
  at("add").addEventListener("click", () => { addClass(); show(); });
  at("loop").addEventListener("input", listStops);
  at("from").addEventListener("change", listNeighbours);
  function suggest() {
    const k = Number(at("classes").querySelector("select").value);
    const own = facts.own_settings[at("instrument").value + "|" + k];
    const setting = own === undefined ? facts.settings[facts.classes[k]] : own;
    if (setting !== undefined && at("convention").value === "percent" && !at("setting").dataset.own) at("setting").value = setting;
  }
  at("setting").addEventListener("input", () => { at("setting").dataset.own = "1"; });
  at("form").addEventListener("input", () => { suggest(); show(); });
  at("form").addEventListener("submit", (event) => event.preventDefault());
  at("print").addEventListener("click", () => {
    document.body.classList.add("card-alone");
    print();
    document.body.classList.remove("card-alone");
  });
  suggest();
  show();
})();
