
"use strict";
// answer() repeats the arithmetic of pipelines/locating/placing.py on the facts of the last refresh; it knows no page.
function answer(asked, facts) {
  // half the length of the pulse sent: nearer echoes it hides, and closer marks it does not tell apart
  const pulse = asked.setting / facts.conventions.m_per_us * (asked.pulse ?? facts.pulse_ns) / 2000;
  const ask = missing(asked, facts) || (asked.pulse && asked.distance < pulse && `Inside the blind zone of a pulse of ${asked.pulse} ns, where the pulse sent hides an echo: use a shorter pulse, or test from the other end.`);
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
  return { ...placed, shift, windows, ...nearestMark(way, corrected, Math.max(pulse, 2 * (asked.sampling ?? facts.sampling_m))), blind: asked.distance < pulse ? pulse : 0, run: way.reduce((sum, part) => sum + part.route, 0), first: way[0].k };
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
    + terms.noise_dig_share2 * through ** 2 + terms.noise_dig_m2 + (Math.max(asked.sampling ?? 0, facts.sampling_m) ** 2 - facts.sampling_m ** 2) / 12
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
function missing({ loop, from, toward, way, distance, setting, day, pulse, sampling }, facts) {
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
  if (pulse !== undefined && !(pulse >= 1 && pulse <= 100000)) return "The pulse is no number from 1 to 100000 ns: leave it empty if it is not known.";
  if (sampling !== undefined && !(sampling >= 0.001 && sampling <= 100)) return "The sampling is no length from 1 mm to 100 m: leave it empty if it is not known.";
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
// Where to test first on a half-loop, as pipelines/ranking/search_sequence.py plans it for the fewest tests; stops count from the source.
function planSearch({ loop, half, tripped, untripped, window }, facts) {
  const i = facts.loops.findIndex(([name]) => name === loop), chain = facts.loops[i], terms = facts.search;
  const [, source, open, shares] = facts.halves[i][half], sign = open > source ? 1 : -1, n = shares.length;
  const sections = shares.map((_, k) => chain[2 + (sign > 0 ? source + k : source - k - 1)]), stops = stopsOf(chain);
  const trips = (k, stop) => (stop === undefined ? 1 : k >= stop ? terms.tripped : terms.false), clears = (k, stop) => (stop === undefined ? 1 : 1 - trips(k, stop));
  let chances = shares.map((share, k) => share * trips(k, tripped) * clears(k, untripped));
  const at = [0], [start, toward] = window ? [window.from, window.from + window.toward].map((stop) => (stop - source) * sign) : [-1, -1];
  for (const [, , route] of sections) at.push(at.at(-1) + Math.max(route, 0.1));
  const along = at.map((metres) => (metres - at[start]) * Math.sign(toward - start));
  const is_weighed = Math.min(start, toward) >= 0 && Math.max(start, toward) <= n && window.low < Math.max(...along);
  if (is_weighed) {
    const under = along.map((metres) => normal((metres - (window.low + window.high) / 2) / ((window.high - window.low) / 2 / terms.normal)));
    chances = chances.map((chance, k) => chance * ((along[k] + along[k + 1] > 0 ? (1 - terms.elsewhere) * Math.abs(under[k + 1] - under[k]) / (at[k + 1] - at[k]) : 0) + terms.elsewhere / at[n]));
  }
  const sum = chances.reduce((a, b) => a + b), mass = [0], cost = {}, best = {}, steps = [];
  chances = chances.map((chance) => chance / sum);
  for (const chance of chances) mass.push(mass.at(-1) + chance);
  const least = (low, high) => cost[[low, high]] ?? 0;
  for (let width = 2; width <= n; width++) for (let low = 0; low + width <= n; low++) {
    const high = low + width;
    for (let test = low + 1, found = Infinity; test < high; test++) {
      const total = mass[high] - mass[low] + least(low, test) + least(test, high);
      if (total < found * (1 - 1e-12)) [found, cost[[low, high]], best[[low, high]]] = [total, total, test];
    }
  }
  const name = (section) => whole(loop, section[0]), terminal = (k) => stops[source + sign * k];
  // every test the order may come to, those toward the source before those beyond
  const visit = (low, high) => {
    if (high - low < 2) return `it is ${name(sections[low])}`;
    const step = { number: steps.length + 1, test: terminal(best[[low, high]]), chance: mass[high] - mass[low] };
    steps.push(step);
    step.near = visit(low, best[[low, high]]);
    step.far = visit(best[[low, high]], high);
    return `then ${step.test} (step ${step.number})`;
  };
  visit(0, n);
  const likeliest = chances.indexOf(Math.max(...chances));
  return { chances, steps, tests: least(0, n), likeliest: name(sections[likeliest]), most: chances[likeliest], is_weighed };
}
// Share of the normal distribution below a value (Abramowitz and Stegun 7.1.26: within 0.0000002).
function normal(z) {
  const t = 1 / (1 + 0.3275911 * Math.abs(z) / Math.SQRT2);
  const tail = t * (0.254829592 + t * (-0.284496736 + t * (1.421413741 + t * (-1.453152027 + t * 1.061405429)))) * Math.exp(-z * z / 2) / 2;
  return z < 0 ? tail : 1 - tail;
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
const FIELDS = ["loop", "from", "toward", "half", "tripped", "untripped", "instrument", "day", "unit", "convention"], SIZES = { distance: metres, pulse: () => 1, sampling: metres };
const state = { typed: 0, setting: "" };

// ---- boxes that hold a quantity: what was typed is kept exactly, whatever unit it is shown in
function metres() { return at("unit").value === "ft" ? facts.foot : 1; }
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
  const halves = facts.halves[facts.loops.indexOf(loopTyped())] || [], half = at("half");
  options(half, halves.map(([name, source, open], k) => [k, `${name.split("/").pop()}: source at ${stops[source]}`]), "choose");
  if (halves.length === 1) half.value = 0;
  const [, source, open] = halves[half.value] ?? [], inside = source === undefined ? [] : open > source ? stops.slice(source, open + 1) : stops.slice(open, source + 1).reverse();
  for (const id of ["tripped", "untripped"]) {
    if (at(id).dataset.stops !== inside.join()) { at(id).value = ""; at(id).dataset.stops = inside.join(); }
    options(at(id), inside.map((stop, k) => [k, stop]), "not looked at");
  }
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
const mode = () => document.querySelector("[name=by]:checked").value;
// ---- the form: what it asks; undefined where nothing is given
function readForm() {
  const place = mode() !== "class"
    ? { loop: (loopTyped() || [at("loop").value.trim()])[0], from: choiceOf(at("from")), toward: choiceOf(at("toward")) }
    : { way: [...at("passed").children].map((row) => ({
      k: choiceOf(row.querySelector("select")), route: exactOf(row.querySelector("input")) ?? Infinity, tail: 0,
    })).filter(({ k }) => k !== undefined) };
  return { ...place, distance: exactOf(at("distance")), setting: exactOf(at("setting")), pulse: exactOf(at("pulse")), sampling: exactOf(at("sampling")), instrument: at("instrument").value, day: at("day").value };
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
function tabulate(heads) {
  const table = document.createElement("table"), row = table.createTHead().insertRow();
  row.append(...heads.map((words) => Object.assign(document.createElement("th"), { scope: "col", textContent: words })));
  return [table, (words) => { const line = table.tBodies[0]?.insertRow() ?? table.createTBody().insertRow(); line.append(Object.assign(document.createElement("th"), { scope: "row", textContent: words })); return line; }];
}
function writeSearch(asked) {
  const place = facts.loops.indexOf(loopTyped()), half = choiceOf(at("half")), halves = facts.halves[place] || [];
  const ask = missing({ ...asked, from: 0, toward: 1, distance: 1, setting: 50, day: "" }, facts) || (!halves.length && "No order of tests for this loop: no forecast is made of its sections.") || (half === undefined && "Give the half-loop that is isolated.");
  at("more").replaceChildren();
  if (ask) { at("answer").replaceChildren(paragraph(ask)); return; }
  const reading = answer(asked, facts), window = reading.ask ? undefined : { ...asked, ...reading.windows.find(({ level }) => level === 0.8) };
  const seen = ["tripped", "untripped"].map((id) => choiceOf(at(id))), plan = planSearch({ loop: asked.loop, half, tripped: seen[0], untripped: seen[1], window }, facts);
  const [first] = plan.steps, found = paragraph(first ? "Test first at " : "One section, which no test can split.", "found");
  if (first) found.append(Object.assign(document.createElement("strong"), { textContent: first.test }));
  found.dataset.tests = plan.tests.toFixed(4);
  at("answer").replaceChildren(
    found,
    ...(first ? [paragraph(`Fault toward the source: ${first.near}. Fault beyond: ${first.far}.`)] : []),
    paragraph(`Likeliest: ${plan.likeliest} (${first && plan.most > 0.99 ? "over 99" : share(plan.most)} %). ${plan.tests.toFixed(1)} tests expected.`),
    paragraph(`Caution: ${facts.order_caution}`, "caution"),
  );
  const [table, add] = tabulate(["Step", "Test at", "Fault toward the source", "Fault beyond"]);
  for (const { number, test, chance, near, far } of plan.steps) {
    const line = add(number);
    for (const words of [`${test} (${share(chance)} %)`, near, far]) line.insertCell().textContent = words;
  }
  const stops = stopsOf(loopTyped()), picked = ["tripped", "untripped"].map((id) => at(id).selectedOptions[0].text), told = [];
  if (seen[0] !== undefined) told.push(`${picked[0]} tripped`);
  if (seen[1] !== undefined) told.push(`${picked[1]} not tripped`);
  if (plan.is_weighed) told.push(`the reading of ${length(asked.distance)} from ${stops[asked.from]} toward ${stops[asked.from + asked.toward]}, which puts the fault at ${length(window.low, window.high)}`);
  const weighed = `Weighed: age, class and past failures of each section${told.map((words) => `; ${words}`).join("")}.`;
  at("more").replaceChildren(...(first ? [table] : []), paragraph(weighed + (plan.is_weighed ? "" : " A reading given by terminals of this half-loop is weighed too.")), paragraph(`The fewest tests on average; the command loopwear search-sequence also weighs minutes and customers. ${facts.register}`));
}
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
  const [table, add] = tabulate(["Window", "Along the cable", "Back-test, asked this way"]);
  for (const { level, low, high, sections, tested } of result.windows) {
    const row = add(`${share(level)} %`);
    row.insertCell().append(paragraph(length(low, high)), ...(sections.length ? [paragraph(sections.join(", "))] : []));
    row.insertCell().textContent = tested
      ? `held ${share(tested.share)} % of ${tested.tried} past digs ${tested.of} (${share(facts.level)} % limits ${share(tested.low)} to ${share(tested.high)} %)`
      : "fewer than 30 past digs to try it on";
  }
  const day = asked.day ? `, read on ${asked.day}` : "", age = asked.day ? daysBetween(facts.as_of, asked.day) : 0;
  const notes = [`Displayed ${length(asked.distance)} at ${asked.setting.toFixed(1)} % of c, ${asked.instrument || "an instrument not on record"}${day}. ${age > 0 ? facts.register.replace(/\.$/, `, ${age} day${age > 1 ? "s" : ""} before the reading.`) : facts.register}`];
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
  const by = mode();
  for (const part of document.querySelectorAll("[data-by]")) part.hidden = !part.dataset.by.split(" ").includes(by);
  at("sampled_in").textContent = at("unit").value;
  at("sampling").placeholder = `usual: ${Number((facts.sampling_m / metres()).toFixed(2))}`;
  for (const label of at("passed").querySelectorAll(".for")) label.textContent = `for, in ${at("unit").value === "ft" ? "feet" : "metres"} `;
  const asked = readForm(), result = by === "search" ? undefined : answer(asked, facts);
  if (!result) writeSearch(asked);
  else if (result.ask) { at("answer").replaceChildren(paragraph(result.ask)); at("more").replaceChildren(); }
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
  const kept = { ...state, by: mode(), percent: at("setting").dataset.exact };
  for (const id of Object.keys(SIZES)) kept[id] = at(id).dataset.exact;
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
  for (const id of ["from", "toward", "half", "tripped", "untripped"]) { at(id).value = kept[id] || ""; listStops(); }
  for (const [k, exact] of kept.parts || [["", NaN]]) {
    addClass();
    at("passed").lastChild.querySelector("select").value = k;
    show(at("passed").lastChild.querySelector("input"), Number(exact), metres());
  }
  for (const [id, size] of Object.entries(SIZES)) show(at(id), Number(kept[id] ?? NaN), size());
  at("display").open = at("pulse").value + at("sampling").value !== "";
  show(at("setting"), Number(kept.percent), percent());
  at("said").textContent = "";
  offer();
  update();
}

at("loops").replaceChildren(...facts.loops.map((loop) => new Option(loop[0])));
options(at("instrument"), Object.keys(facts.instruments).filter(Boolean).map((name) => [name, name]), "not on record");
at("form").addEventListener("input", ({ target }) => {
  if (target === at("unit")) {
    for (const box of [at("distance"), at("sampling"), ...lengths()]) if (box.value) show(box, exactOf(box), metres());
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
  } else if (target.id in SIZES || lengths().includes(target)) take(target, (SIZES[target.id] || metres)());
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
  fill({ unit: at("unit").value, convention: at("convention").value, by: mode() });
});
at("print").addEventListener("click", () => print());
// the unit of the page that led here
const units = new URLSearchParams(location.search + "&" + location.hash.slice(1)).get("units"), kept = recall();
at("pulse").placeholder = `usual: ${facts.pulse_ns}`;
// a unit chosen here is kept on reload
fill({ ...(units ? { unit: units === "imperial" ? "ft" : "m" } : {}), ...kept });
