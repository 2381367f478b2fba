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

  // ---- picking rows: a search, a choice a column named by the table, and the sums of what is picked
  const SHOWN = 50;
  const longTables = [];
  const pickers = [];
  const namesIn = (text) => (text || "").split(" ").filter(Boolean);
  function makePicker(table, columns, total, changed) {
    const texts = columns.filter((c) => c.kind === "text" || c.kind === "date");
    const bar = document.createElement("div");
    bar.className = "pager";
    bar.innerHTML = '<label>Find <input type="search"></label>';
    const search = bar.querySelector("input");
    const choices = new Map();
    for (const name of namesIn(table.dataset.filters)) {
      const column = columns.find((c) => c.name === name);
      const values = column ? [...new Set(column.values)].filter((v) => v !== null && v !== MISSING) : [];
      if (values.length < 2) continue;
      const label = document.createElement("label");
      const select = document.createElement("select");
      select.name = name;
      for (const value of ["", ...values.sort((a, b) => compare(a, b))]) {
        select.append(Object.assign(document.createElement("option"), { value, textContent: value || "all" }));
      }
      label.append(column.label + " ", select);
      bar.append(label);
      choices.set(name, { column, select });
    }
    const summed = namesIn(table.dataset.sums).map((name) => columns.find((c) => c.name === name)).filter(Boolean);
    const tally = document.createElement("p");
    tally.className = "tally";
    tally.setAttribute("role", "status");
    const scroller = table.closest(".scroller");
    scroller.before(bar);
    if (summed.length || choices.size) scroller.before(tally);
    const district = columns.find((c) => c.name === "district_id");
    let needle = "";
    let only = null;
    let kept = [];
    function say() {
      const sums = summed.map((c) => {
        const [sum, unit] = inUnits(kept.reduce((before, i) => before + (c.values[i] || 0), 0), c.unit);
        return `${c.label.toLowerCase()} ${number(sum, c.decimals === null ? 2 : c.decimals)}${unit ? "\u00a0" + unit : ""}`;
      });
      const rows = total === 1 ? "row matches" : "rows match";
      tally.textContent = `${number(kept.length, 0)} of ${number(total, 0)} ${rows}${sums.length ? "; sum of " + sums.join(", of ") : ""}.`;
    }
    const made = {
      table, bar,
      keep(order) {
        const chosen = [...choices.values()].filter((c) => c.select.value !== "");
        kept = order.filter((i) => (!only || only(i))
          && chosen.every((c) => c.column.values[i] === c.select.value)
          && (!needle || texts.some((c) => c.values[i] !== null && c.values[i].toLowerCase().includes(needle))));
        say();
        return kept;
      },
      say, count: () => kept.length, total,
      // a district chosen for the whole page is chosen in the table too, where it can be seen and changed
      district(value) {
        const choice = choices.get("district_id");
        if (choice) choice.select.value = [...choice.select.options].some((o) => o.value === value) ? value : "";
        else only = value === "" ? null : (i) => district.values[i] === value;
        changed();
      },
      hasDistrict: Boolean(district), districts: () => (district ? district.values : []),
    };
    search.addEventListener("input", () => { needle = search.value.trim().toLowerCase(); changed(); });
    bar.addEventListener("change", (event) => { if (event.target !== search) changed(); });
    pickers.push(made);
    return made;
  }

  // ---- long tables: all rows as data, fifty drawn at a time
  function makeLong(table, columns) {
    for (const column of columns) {
      if (column.scale) column.values = column.values.map((v) => (v === null ? null : v / 10 ** column.scale));
      let last = 0;
      if (column.steps) column.values = column.values.map((v) => (v === null ? null : (last += v)));
      if (column.patterns) {
        const pieces = column.patterns.map((pattern) => pattern.split("\u0001"));
        column.values = column.values.map((parts) => parts && pieces[parts[0]].reduce((text, piece, i) => text + parts[i] + piece));
      }
      if (column.texts) column.values = column.values.map((place) => (place === null ? null : column.texts[place]));
    }
    const total = columns[0].values.length;
    const order = Array.from({ length: total }, (_, i) => i);
    let kept = order;
    let from = 0;
    const picker = makePicker(table, columns, total, () => keep());
    picker.bar.insertAdjacentHTML("beforeend", '<button type="button">Earlier</button><button type="button">Later</button><span role="status"></span>');
    const [earlier, later] = picker.bar.querySelectorAll("button");
    const status = picker.bar.querySelector("span");
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
          const anchor = column.anchors && column.anchors[column.values[i]];
          if (!place) cell.scope = "row";
          if (column.kind === "number" || column.kind === "integer") cell.className = "n";
          else if (typeof column.values[i] === "string" && column.values[i].length > 30) cell.className = "w";
          if (anchor) cell.append(Object.assign(document.createElement("a"), { href: "#" + encodeURIComponent(anchor), textContent: written(column, i) }));
          else cell.textContent = written(column, i);
          row.append(cell);
        });
        return row;
      });
      table.tBodies[0].replaceChildren(...rows);
      earlier.disabled = from === 0;
      later.disabled = from + SHOWN >= kept.length;
      status.textContent = kept.length
        ? `Rows ${number(from + 1, 0)} to ${number(Math.min(from + SHOWN, kept.length), 0)} of ${number(kept.length, 0)}`
        : "No row matches";
    }
    function keep() {
      kept = picker.keep(order);
      from = 0;
      show();
    }
    earlier.addEventListener("click", () => { from = Math.max(0, from - SHOWN); show(); });
    later.addEventListener("click", () => { from += SHOWN; show(); });
    table.caption.textContent = table.caption.textContent.replace(/: the first .*/, "");
    addSorting(table, (place, down) => {
      const values = columns[place].values;
      order.sort((a, b) => direct(values[a], values[b], down) || a - b);
      keep();
    });
    keep();
    longTables.push({ show() { show(); picker.say(); } });
  }

  // ---- short tables whose rows can be picked: the rows stand in the page, those not picked are hidden
  const FEW_ROWS = 12;
  function makePicked(table) {
    const rows = [...table.tBodies[0].rows];
    if (rows.length <= FEW_ROWS) return;
    const columns = [...table.tHead.rows[0].cells].map((head, place) => {
      const small = head.querySelector("small");
      const isNumber = rows[0].cells[place].classList.contains("n");
      return {
        name: head.dataset.c, unit: head.dataset.u, kind: isNumber ? "number" : "text",
        label: (small ? head.textContent.replace(small.textContent, "") : head.textContent).trim(),
        decimals: head.dataset.u in decimalsOf ? decimalsOf[head.dataset.u] : null,
        values: rows.map((row) => (isNumber ? valueOf(row.cells[place]) : row.cells[place].textContent.trim())),
      };
    });
    const order = rows.map((_, i) => i);
    function keep() {
      const kept = new Set(picker.keep(order));
      rows.forEach((row, i) => { row.hidden = !kept.has(i); });
    }
    const picker = makePicker(table, columns, rows.length, keep);
    keep();
    longTables.push({ show: picker.say });
  }
