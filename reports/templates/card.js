
"use strict";
// answer() repeats the arithmetic of pipelines/locating/placing.py on the facts of the last refresh; it knows no page.
function answer(asked, facts) {
  const ask = missing(asked, facts);
  if (ask) return { ask };
  const way = asked.loop ? wayAlong(asked, facts) : asked.way, name = asked.loop ? "along_loop" : "by_class";
  const time = asked.distance * facts.reference / asked.setting;
  // the season is that of the class the reading ends in
  const season = facts.seasons[place(way, time, asked, facts).k];
  let shift = 0;
  if (season && asked.day) {
    const ofYear = daysBetween(asked.day.slice(0, 4) + "-01-01", asked.day) + 1;
    shift = season[0] * Math.cos(2 * Math.PI * (ofYear - season[1]) / facts.year);
  }
  const placed = place(way, time / (1 + shift), asked, facts), { corrected, error, k } = placed;
  const windows = facts.quantiles[name].map(([level, quantile]) => {
    const low = Math.max(corrected - quantile * error, 0), high = corrected + quantile * error;
    return { level, low, high, sections: touched(way, low, high), tested: backTest(name, facts.classes[k], corrected, level, facts) };
  });
  // half the length of the pulse sent: nearer echoes it hides, and closer marks it does not tell apart
  const pulse = asked.setting / facts.conventions.m_per_us * facts.pulse_ns / 2000;
  return { ...placed, shift, windows, ...nearestMark(way, corrected, Math.max(pulse, 2 * facts.sampling_m)), blind: asked.distance < pulse ? pulse : 0, run: way.reduce((sum, part) => sum + part.route, 0), first: way[0].k };
}
// Where along its way a reading ends, and its standard error.
function place(way, time, asked, facts) {
  const { slowness, terms } = facts, own = facts.instruments[asked.instrument], last = way.length - 1;
  // what stands in for tails that are not given
  const usual = (name) => (asked.loop ? 0 : terms["usual_" + name]);
  const days = asked.day ? daysBetween(facts.as_of, asked.day) : 0, later = Math.max(days, 0) / facts.year;
  const [movedScale, movedZero] = movement(own.moved, days);
  const [scaleError, zero, rate] = own.own, scale = 1 + scaleError + movedScale + rate * later;
  const stretch = 1 + facts.slack + usual("tail_per_m");
  const slope = (k) => slowness[k] * scale * stretch + usual("tails_per_m") * facts.tail;
  const left = time - zero - movedZero - usual("tail_m") * slowness[way[0].k] * scale - usual("tails") * facts.tail;
  const passed = slowness.map(() => 0);
  passed[way[0].k] += usual("tail_m");
  // the stretch a reading ends in is the last that begins before it is used up
  let end = 0, begin = 0, corrected = 0, tails = 0;
  for (; ; end++) {
    const { k, route, tail, isTail } = way[end], next = begin + (isTail ? slowness[k] * scale * tail + facts.tail : slope(k) * route);
    tails += isTail ? 1 : 0;
    if (end === last || next > left) break;
    begin = next;
    corrected += route;
    passed[k] += route * stretch + tail;
  }
  const { k, isTail } = way[end], along = isTail && end < last ? 0 : Math.max(left - begin, 0) / slope(k);
  corrected += along;
  passed[k] += along * stretch;
  tails += usual("tails") + usual("tails_per_m") * corrected;
  let through = 0, cable = 0;
  passed.forEach((metres, i) => { through += metres * slowness[i]; cable += metres; });
  const fixed = [...passed.map((metres) => scale * metres), scale * through * corrected / Math.max(cable, 1e-9), tails];
  const mine = [through, 1, through * later];
  const variance = form(fixed, facts.covariance, fixed) + form(mine, own.covariance, mine) + 2 * form(mine, own.crossed, fixed)
    + (terms.noise_constant_m ** 2 + (terms.noise_growing * through) ** 2) * own.factor
    + terms.noise_dig_share2 * through ** 2 + terms.noise_dig_m2
    + (usual("tail_variance_m2") + usual("tail_variance_per_m") * corrected) * slowness[k] ** 2;
  const usualTail = usual("tail_m") + usual("tail_per_m") * corrected + (usual("tails") + usual("tails_per_m") * corrected) * facts.tail;
  return { corrected, k, error: Math.sqrt(variance) / slope(k), usualTail };
}
function form(left, matrix, right) {
  return left.reduce((sum, a, i) => sum + a * right.reduce((inner, b, j) => inner + matrix[i][j] * b, 0), 0);
}
// Scale and time zero of an instrument on a day less those of the as-of day, but for its drift after it.
function movement(moved, days) {
  const i = moved.findIndex(([day]) => day >= days);
  if (i <= 0) return moved.length ? moved.at(i).slice(1) : [0, 0];
  const [a, b] = [moved[i - 1], moved[i]], share = (days - a[0]) / (b[0] - a[0]);
  return [1, 2].map((j) => a[j] + share * (b[j] - a[j]));
}
function daysBetween(from, to) { return (Date.parse(to) - Date.parse(from)) / 86400000; }
function backTest(name, cableClass, corrected, level, facts) {
  const band = facts.bands.findLast(([low]) => corrected >= low)[1];
  const groups = [
    [`class_and_band|${cableClass}, ${band}`, `over ${cableClass} at ${band}`],
    [`cable_class|${cableClass}`, `over ${cableClass}, all distances`],
    [`distance_band|${band}`, `at ${band}, all classes`],
    ["all|all", "of all classes and distances"],
  ];
  for (const [group, of] of groups) {
    const found = facts.tested[`${name}|${group}|${level}`];
    if (found) return { tried: found[0], share: found[1], low: found[2], high: found[3], of };
  }
  return null;
}
// What is still to be given, or cannot be: the first of it in words.
function missing({ loop, from, toward, way, distance, setting, day }, facts) {
  if (loop !== undefined) {
    const found = facts.loops.find((each) => each[0] === loop);
    if (!found) return loop ? "No loop of this card, or several, with that in its id." : "Give the loop.";
    if (from === undefined || toward === undefined) return "Give the terminal tested from and the one measured toward.";
    const [, , since = -facts.days, until = null] = found[1], days = day ? daysBetween(facts.as_of, day) : 0;
    if (days < since || (until !== null && days > until)) return "This loop was or will be another on that day: use the command loopwear dig-window.";
  } else {
    if (!way.length) return "Give the cable class.";
    if (way.some(({ route }, i) => !(route > 0) || (i < way.length - 1 && route === Infinity))) return "Give the length of each class but the last.";
  }
  if (distance === undefined) return "Give the distance shown.";
  if (!(distance > 0 && distance < 100000)) return "The distance shown is no number above 0: write 93.4 or 93,4, and no sign for thousands.";
  if (setting === undefined) return "Give the setting that the instrument shows.";
  if (!(setting >= 30 && setting <= 80)) return "Give the setting: 30 to 80 % of c, or the same in the unit chosen.";
  if (day && !(daysBetween(facts.as_of, day) >= -facts.days)) return `This card knows the ${facts.days} days before ${facts.as_of}: for an older reading use the command loopwear dig-window.`;
  return "";
}
// Tails and cable in the order passed, as pipelines/locating/ways.py lays them; the last goes on.
function wayAlong({ loop, from, toward }, facts) {
  const [name, start, ...sections] = facts.loops.find((each) => each[0] === loop);
  const tails = [start[1], ...sections.map((section) => section[4])];
  const way = [];
  for (let i = from; toward > 0 ? i < sections.length : i > 0; i += toward) {
    const [id, k, route, , , cuts = [[k, route]]] = sections[toward > 0 ? i : i - 1], section = whole(name, id);
    way.push({ k, route: 0, tail: tails[i], isTail: true });
    for (const [each, metres] of toward > 0 ? cuts : [...cuts].reverse()) way.push({ k: each, route: metres, tail: 0, section });
    way.push({ k, route: 0, tail: tails[i + toward], isTail: true });
  }
  return way.slice(0, -1);
}
// The section whose far terminal the display may not tell from the fault.
function nearestMark(way, corrected, apart) {
  let end = 0, mark = "", nearest = apart;
  way.forEach(({ route, section }, i) => {
    end += route;
    if (section && (way[i + 1] || {}).section !== section && Math.abs(end - corrected) < nearest) [mark, nearest] = [section, Math.abs(end - corrected)];
  });
  return { mark, apart };
}
function touched(way, low, high) {
  let start = 0;
  const names = new Set();
  for (const { route, section } of way) {
    if (section && start < high && start + route > low) names.add(section);
    start += route;
  }
  return [...names];
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
  options(select, facts.classes.slice(0, -1).map((name, k) => [k, name]), at("passed").children.length ? "none" : "choose");
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
      k: choiceOf(row.querySelector("select")), route: exactOf(row.querySelector("input")) ?? Infinity, tail: 0,
    })).filter(({ k }) => k !== undefined) };
  return { ...place, distance: exactOf(at("distance")), setting: exactOf(at("setting")), instrument: at("instrument").value, day: at("day").value };
}

// the median setting of this instrument on the first class of the way
function usual() {
  const { loop, way, toward, ...rest } = readForm();
  const first = way ? way[0] : toward && wayAlong({ loop, toward, ...rest }, facts)[0];
  return first && facts.instruments[rest.instrument].settings[first.k];
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
  if (result.blind) cautions.push(`Inside the blind zone of a pulse of ${facts.pulse_ns.toFixed(0)} ns (${length(result.blind)}), where the pulse sent hides an echo: if the pulse was as long, use a shorter one, or test from the other end.`);
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
  table.createTHead().append(...[["Window", "Along the cable", "Back-test, asked this way"]].map((cells) => {
    const row = document.createElement("tr");
    row.append(...cells.map((words) => Object.assign(document.createElement("th"), { scope: "col", textContent: words })));
    return row;
  }));
  const body = table.createTBody();
  for (const { level, low, high, sections, tested } of result.windows) {
    const row = body.insertRow();
    row.append(Object.assign(document.createElement("th"), { scope: "row", textContent: `${share(level)} %` }));
    row.insertCell().append(paragraph(length(low, high)), ...(sections.length ? [paragraph(sections.join(", "))] : []));
    row.insertCell().textContent = tested
      ? `held ${share(tested.share)} % of ${tested.tried} past digs ${tested.of} (${share(facts.level)} % limits ${share(tested.low)} to ${share(tested.high)} %)`
      : "fewer than 30 past digs to try it on";
  }
  const day = asked.day ? `, read on ${asked.day}` : "";
  const notes = [`Displayed ${length(asked.distance)} at ${asked.setting.toFixed(1)} % of c, ${asked.instrument || "an instrument not on record"}${day}. ${facts.register}`];
  if (result.shift) notes.push(`Season taken off: readings of this cable are ${(100 * Math.abs(result.shift)).toFixed(1)} % ${result.shift > 0 ? "long" : "short"} on that day.`);
  if (own !== undefined && Math.abs(own - asked.setting) > 0.05) notes.push(`The median setting of ${asked.instrument} on ${facts.classes[result.first]} is ${own.toFixed(1)} % of c; here ${asked.setting.toFixed(1)} is taken.`);
  if (result.mark) notes.push(`The far terminal of ${result.mark} lies within ${length(result.apart)}, the resolution of the pulse: the fault may be in it.`);
  if (asked.way) notes.push(`Terminals not given: a usual tail of ${length(Math.max(result.usualTail, 0))} is taken off, and the window is wider for it.`);
  if (!asked.instrument) notes.push("Instrument not stated: its own error widens the window.");
  at("more").replaceChildren(table, ...notes.map((words) => paragraph(words)));
  for (const [rate, since] of facts.instruments[asked.instrument].drift) {
    at("more").append(paragraph(`${asked.instrument} drifts by ${rate.toFixed(2)} % a year since ${since}: the correction follows the drift to ${asked.day || facts.as_of}; have it checked on a run of known length.`, "caution"));
  }
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
options(at("instrument"), Object.keys(facts.instruments).filter(Boolean).map((name) => [name, name]), "not on record");
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
