
"use strict";
// answer() repeats the arithmetic of pipelines/locating/window.py on the facts of the last refresh; it knows no page.
function answer(asked, facts) {
  const line = (k) => facts.lines[asked.instrument][k];
  const ask = missing(asked, facts);
  if (ask) return { ask };
  const way = asked.loop ? wayAlong(asked, facts) : asked.way;
  // Share by which readings of a class are long on the day given; none without a day or where the data show none.
  function seasonShift(k) {
    const season = facts.seasons[k];
    if (!season || !asked.day) return 0;
    const [year, month, date] = asked.day.split("-").map(Number);
    const ofYear = (Date.UTC(year, month - 1, date) - Date.UTC(year, 0, 0)) / 86400000;
    return season[0] * Math.cos(2 * Math.PI * (ofYear - season[1]) / 365.25);
  }
  function correct(reading) {
    let left = reading - line(way[0].k)[0], start = 0;
    const passed = new Map();
    for (const [i, part] of way.entries()) {
      const slope = line(part.k)[1], tail = slope / (1 + facts.slack), isLast = i === way.length - 1;
      const room = slope * part.route + tail * (part.near + part.far);
      const into = isLast || left <= room ? Math.max((left - tail * part.near) / slope, 0) : part.route;
      passed.set(part.k, (passed.get(part.k) || 0) + into);
      if (isLast || left <= room) return { corrected: start + into, k: part.k, passed };
      left -= room;
      start += part.route;
    }
  }
  const reading = asked.distance * facts.reference / asked.setting;
  // the season is that of the class the reading ends in
  const shift = seasonShift(correct(reading).k);
  const { corrected, k, passed } = correct(reading / (1 + shift));
  // on a way of several classes the errors of their slopes are taken to move together
  let variance = line(k)[2] + line(k)[5], slopes = 0, growing = 0;
  for (const [each, length] of passed) {
    variance += 2 * length * line(each)[3];
    slopes += length * Math.sqrt(line(each)[4]);
    growing += length * Math.sqrt(line(each)[6]);
  }
  const error = Math.sqrt(Math.max(variance + slopes ** 2 + growing ** 2, 0)) / line(k)[1];
  const windows = facts.quantiles.map(([level, quantile]) => {
    const low = Math.max(corrected - quantile * error, 0), high = corrected + quantile * error;
    return { level, low, high, sections: touched(way, low, high) };
  });
  return { corrected, error, k, shift, windows, run: way.reduce((sum, part) => sum + part.route, 0), first: way[0].k };
}
function missing({ loop, from, toward, way, distance, setting }, facts) {
  if (loop !== undefined) {
    if (!facts.loops.some((each) => each[0] === loop)) return loop ? "No loop of this card, or several, with that in its id." : "Give the loop.";
    if (from === undefined || toward === undefined) return "Give the terminal tested from and the one measured toward.";
  } else {
    if (!way.length) return "Give the cable class.";
    if (way.some(({ route }, i) => !(route > 0) || (i < way.length - 1 && route === Infinity))) return "Give the length of each class but the last.";
  }
  if (distance === undefined) return "Give the distance shown.";
  if (!(distance > 0 && distance < 100000)) return "The distance shown is no number above 0: write 93.4 or 93,4, and no sign for thousands.";
  if (setting === undefined) return "Give the setting that the instrument shows.";
  if (!(setting >= 30 && setting <= 80)) return "Give the setting: 30 to 80 % of c, or the same in the unit chosen.";
  return "";
}
function wayAlong({ loop, from, toward }, facts) {
  const [name, start, ...sections] = facts.loops.find((each) => each[0] === loop);
  const tails = [start[1], ...sections.map((section) => section[4])];
  const way = [];
  for (let i = from; toward > 0 ? i < sections.length : i > 0; i += toward) {
    const section = sections[toward > 0 ? i : i - 1], near = tails[i], far = tails[i + toward];
    const route = Math.max(section[2] - near - far, 0) / (1 + facts.slack);
    way.push({ k: section[1], route, near, far, name: whole(name, section[0]) });
  }
  return way;
}
function touched(way, low, high) {
  let start = 0;
  const names = [];
  for (const { route, name } of way) {
    if (name && start < high && start + route > low) names.push(name);
    start += route;
  }
  return names;
}
// a name that begins with its loop's is written without it
function whole(loop, name) { return name.startsWith("~") ? loop + name.slice(1) : name; }
// A decimal comma is read; what could be a thousand or a decimal is not guessed.
function numberIn(text) {
  const bare = text.replace(/\s/g, "");
  if (/^\d{1,3},\d{3}$/.test(bare) || !/^[\d.,]+$/.test(bare)) return NaN;
  const last = Math.max(bare.lastIndexOf(","), bare.lastIndexOf("."));
  return Number(last < 0 ? bare : bare.slice(0, last).replaceAll(bare[last] === "," ? "." : ",", "") + "." + bare.slice(last + 1));
}

const facts = JSON.parse(document.getElementById("facts").textContent);
const at = (id) => document.getElementById(id);
const KEY = "loopwear card " + document.title + " ", RUN = document.querySelector("[name=run]").content;
const FEW = 10;
const FIELDS = ["loop", "from", "toward", "instrument", "day", "unit", "convention"];
const state = { typed: 0, setting: "" };

// ---- boxes that hold a quantity: what was typed is kept exactly, whatever unit it is shown in
const metres = () => (at("unit").value === "ft" ? facts.foot : 1);
const percent = () => facts.conventions[at("convention").value];
const exactOf = (box) => (box.value.trim() === "" ? undefined : Number(box.dataset.exact));
const choiceOf = (select) => (select.value === "" ? undefined : Number(select.value));
function show(box, exact, unit) {
  box.dataset.exact = exact;
  box.value = Number.isFinite(exact) ? String(Number((exact / unit).toFixed(3))) : "";
}
function take(box, unit) { box.dataset.exact = numberIn(box.value) * unit; }
const lengths = () => [...at("passed").querySelectorAll("input")];

// ---- what can be chosen
function options(select, pairs, first) {
  const before = select.value;
  select.replaceChildren(new Option(first, ""), ...pairs.map(([value, words]) => new Option(words, value)));
  if (pairs.some(([value]) => String(value) === before)) select.value = before;
}
function loopTyped() {
  const text = at("loop").value.trim().toLowerCase();
  const found = text === "" ? [] : facts.loops.filter((loop) => loop[0].toLowerCase().includes(text));
  return found.find((loop) => loop[0].toLowerCase() === text) || (found.length === 1 ? found[0] : undefined);
}
function stopsOf(loop) { return loop ? [loop[1][0], ...loop.slice(2).map((s) => s[3])].map((name) => whole(loop[0], name)) : []; }
function listStops() {
  const stops = stopsOf(loopTyped()), from = at("from"), toward = at("toward");
  if (from.dataset.stops !== stops.join()) { from.value = ""; from.dataset.stops = stops.join(); }
  options(from, stops.map((stop, i) => [i, stop]), "choose");
  const i = Number(from.value), beside = [[1, stops[i + 1]], [-1, stops[i - 1]]].filter((pair) => from.value !== "" && pair[1]);
  options(toward, beside, "choose");
  if (beside.length === 1) toward.value = beside[0][0];
}
function addClass() {
  const row = Object.assign(document.createElement("div"), { className: "row" });
  const kind = document.createElement("label"), length = document.createElement("label");
  const select = document.createElement("select"), box = Object.assign(document.createElement("input"), { inputMode: "decimal", placeholder: "to the end" });
  options(select, facts.classes.map((name, k) => [k, name]), at("passed").children.length ? "none" : "choose");
  kind.append("Cable class ", select);
  length.append(Object.assign(document.createElement("span"), { className: "for" }), box);
  row.append(kind, length);
  at("passed").append(row);
}
const isByLoop = () => document.querySelector("[name=by]:checked").value === "loop";
// ---- the form: what it asks; undefined where nothing is given
function readForm() {
  const place = isByLoop()
    ? { loop: (loopTyped() || [at("loop").value.trim()])[0], from: choiceOf(at("from")), toward: choiceOf(at("toward")) }
    : { way: [...at("passed").children].map((row) => ({
      k: choiceOf(row.querySelector("select")), route: exactOf(row.querySelector("input")) ?? Infinity, near: 0, far: 0, name: "",
    })).filter(({ k }) => k !== undefined) };
  return { ...place, distance: exactOf(at("distance")), setting: exactOf(at("setting")), instrument: at("instrument").value, day: at("day").value };
}

// the median setting of this instrument on the first class of the way
function usual() {
  const { loop, way, toward, ...rest } = readForm();
  const first = way ? way[0] : toward && wayAlong({ loop, toward, ...rest }, facts)[0];
  return first && facts.settings[rest.instrument + "|" + first.k];
}

// ---- words
const length = (...metres) => {
  const said = [["m", (m) => m.toFixed(1)], ["ft", (m) => (m / facts.foot).toFixed(0)]].map(([unit, text]) => `${metres.map(text).join(" to ")} ${unit}`);
  const [own, other] = at("unit").value === "ft" ? said.reverse() : said;
  return `${own} (${other})`;
};
const share = (part) => (100 * part).toFixed(0);
function paragraph(words, kind = "") { return Object.assign(document.createElement("p"), { textContent: words, className: kind }); }
function write(result, asked) {
  const loop = loopTyped(), stops = stopsOf(loop);
  const where = asked.way ? ["from the terminal tested from"] : ["from", stops[asked.from], "toward", stops[asked.from + asked.toward]];
  const at80 = result.windows.find(({ level }) => Math.abs(level - 0.8) < 1e-9) || result.windows[0];
  const cautions = [];
  if (result.corrected <= 0) cautions.push("At the terminal itself: the reading is within the instrument's offset.");
  if (result.corrected > result.run) cautions.push(`Longer than the cable on that side, which ends at ${length(result.run)}: check distance, unit, setting and side.`);
  const own = usual();
  if (own !== undefined && Math.abs(own / asked.setting - 1) > 0.1) cautions.push(`Setting far from ${asked.instrument}'s usual ${own.toFixed(1)} % of c on this class: check it and its unit.`);
  const found = paragraph("", "found"), [own_unit, rest] = length(result.corrected).split(" (");
  found.append(Object.assign(document.createElement("strong"), { textContent: own_unit }), ` (${rest} along the cable`);
  Object.assign(found.dataset, { corrected: result.corrected.toFixed(3), error: result.error.toFixed(4) });
  at("answer").replaceChildren(
    ...cautions.map((words) => paragraph(words, "caution strong")), found,
    paragraph(`${where.join(" ")}.`),
    paragraph(`${share(at80.level)} % window: ${length(at80.low, at80.high)}. One in five digs lies outside an 80 % window.`),
    paragraph(`Caution: ${facts.caution}`, "caution"),
  );
  const table = document.createElement("table");
  table.createTHead().append(...[["Window", "Along the cable", "Back-test"]].map((cells) => {
    const row = document.createElement("tr");
    row.append(...cells.map((words) => Object.assign(document.createElement("th"), { scope: "col", textContent: words })));
    return row;
  }));
  const body = table.createTBody();
  for (const { level, low, high, sections } of result.windows) {
    const row = body.insertRow();
    row.append(Object.assign(document.createElement("th"), { scope: "row", textContent: `${share(level)} %` }));
    row.insertCell().append(paragraph(length(low, high)), ...(sections.length ? [paragraph(sections.join(", "))] : []));
    row.insertCell().textContent = tested(result, level);
  }
  const day = asked.day ? `, read on ${asked.day}` : "";
  const notes = [`Displayed ${length(asked.distance)} at ${asked.setting.toFixed(1)} % of c, ${asked.instrument || "an instrument not on record"}${day}. ${facts.register}`];
  if (result.shift) notes.push(`Season taken off: readings of this cable are ${(100 * Math.abs(result.shift)).toFixed(1)} % ${result.shift > 0 ? "long" : "short"} on that day.`);
  if (own !== undefined && Math.abs(own - asked.setting) > 0.05) notes.push(`The median setting of ${asked.instrument} on ${facts.classes[result.first]} is ${own.toFixed(1)} % of c; here ${asked.setting.toFixed(1)} is taken.`);
  const drift = facts.drifts[asked.instrument];
  at("more").replaceChildren(table, ...notes.map((words) => paragraph(words)));
  if (drift) at("more").append(paragraph(`${asked.instrument} drifts by ${drift[0].toFixed(2)} % a year since ${drift[2]}: its latest readings are ${Math.abs(drift[1]).toFixed(1)} % ${drift[1] > 0 ? "long" : "short"} of this correction, ${length(Math.abs(drift[1]) / 100 * result.corrected)} here. The windows do not take that off; have it checked on a run of known length.`, "caution"));
}
function tested(result, level) {
  const rows = [facts.classes[result.k], "all"].map((name) => facts.held.find((held) => held[0] === name && held[1] === level));
  const [name, , , tries, part, low, high] = rows.find((row) => row && row[3] >= FEW) || rows.find(Boolean) || ["", level, 0, 0];
  if (tries < FEW) return tries ? `${tries} past digs: too few to say` : "no past dig tested";
  return `held ${share(part)} % of ${tries} past digs ${name === "all" ? "of all classes" : "of this class"} (${share(low)} to ${share(high)} %)`;
}
function update() {
  at("along").hidden = !isByLoop();
  at("classes").hidden = isByLoop();
  for (const label of at("passed").querySelectorAll(".for")) label.textContent = `for, in ${at("unit").value === "ft" ? "feet" : "metres"} `;
  const asked = readForm(), result = answer(asked, facts);
  if (result.ask) { at("answer").replaceChildren(paragraph(result.ask)); at("more").replaceChildren(); }
  else write(result, asked);
  const age = (Date.now() - state.typed) / 3600000, is_old = state.typed > 0 && age > 4;
  at("kept").classList.toggle("old", is_old);
  at("when").textContent = !state.typed ? "" : `Distance typed ${new Date(state.typed).toLocaleString([], { dateStyle: "medium", timeStyle: "short" })}` + (is_old ? `, ${age < 48 ? Math.round(age) + " hours" : Math.round(age / 24) + " days"} ago: is it this dig's?` : "");
}
function offer() {
  if (state.setting) return;
  const own = usual();
  show(at("setting"), own ?? NaN, percent());
  at("said").textContent = own === undefined ? "" : `${at("instrument").value} was mostly set to ${own.toFixed(1)} % of c there: change it to what the display shows.`;
}

// ---- kept on reload, for this run; a browser may forbid it to a file
function keep() {
  const kept = { ...state, by: isByLoop() ? "loop" : "class", distance: at("distance").dataset.exact, percent: at("setting").dataset.exact };
  for (const id of FIELDS) kept[id] = at(id).value;
  kept.parts = [...at("passed").children].map((row) => [row.querySelector("select").value, row.querySelector("input").dataset.exact]);
  try { localStorage.setItem(KEY + RUN, JSON.stringify(kept)); } catch { /* nothing is kept */ }
}
function recall() {
  try {
    for (const key of Object.keys(localStorage)) if (key.startsWith(KEY) && key !== KEY + RUN) localStorage.removeItem(key);
    return JSON.parse(localStorage.getItem(KEY + RUN));
  } catch { return null; }
}
function fill(kept) {
  state.typed = kept.typed || 0;
  state.setting = kept.setting || "";
  at("passed").replaceChildren();
  for (const by of document.querySelectorAll("[name=by]:not([disabled])")) if (by.value === kept.by) by.checked = true;
  for (const id of ["unit", "convention"]) if (kept[id]) at(id).value = kept[id];
  for (const id of ["loop", "instrument", "day"]) at(id).value = kept[id] || "";
  listStops();
  for (const id of ["from", "toward"]) { at(id).value = kept[id] || ""; listStops(); }
  for (const [k, exact] of kept.parts || [["", NaN]]) {
    addClass();
    at("passed").lastChild.querySelector("select").value = k;
    show(at("passed").lastChild.querySelector("input"), Number(exact), metres());
  }
  show(at("distance"), Number(kept.distance), metres());
  show(at("setting"), Number(kept.percent), percent());
  at("said").textContent = "";
  offer();
  update();
}

at("loops").replaceChildren(...facts.loops.map((loop) => new Option(loop[0])));
options(at("instrument"), Object.keys(facts.lines).filter(Boolean).map((name) => [name, name]), "not on record");
at("form").addEventListener("input", ({ target }) => {
  if (target === at("unit")) {
    for (const box of [at("distance"), ...lengths()]) if (box.value) show(box, exactOf(box), metres());
  } else if (target === at("convention")) {
    // a number that the unit before made no sense of was typed for this one
    const before = at("setting").value, exact = exactOf(at("setting"));
    if (exact >= 30 && exact <= 80) {
      show(at("setting"), exact, percent());
      at("said").textContent = `Converted: ${before} became ${at("setting").value}.`;
    } else take(at("setting"), percent());
  } else if (target === at("distance")) {
    take(target, metres());
    state.typed = target.value ? Date.now() : 0;
    if (target.value && !at("day").value) at("day").value = new Date(Date.now() - 60000 * new Date().getTimezoneOffset()).toISOString().slice(0, 10);
  } else if (target === at("setting")) {
    take(target, percent());
    state.setting = target.value ? "typed" : "";
    at("said").textContent = "";
  } else if (lengths().includes(target)) take(target, metres());
  else {
    listStops();
    offer();
  }
  update();
  keep();
});
at("form").addEventListener("submit", (event) => event.preventDefault());
at("add").addEventListener("click", () => { addClass(); update(); });
at("clear").addEventListener("click", () => {
  try { localStorage.removeItem(KEY + RUN); } catch { /* nothing was kept */ }
  fill({ unit: at("unit").value, convention: at("convention").value, by: isByLoop() ? "loop" : "class" });
});
at("print").addEventListener("click", () => print());
// the unit of the page that led here
const units = new URLSearchParams(location.search + "&" + location.hash.slice(1)).get("units");
fill({ ...(recall() || {}), ...(units ? { unit: units === "imperial" ? "ft" : "m" } : {}) });
