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
  const FEW_ROWS = 12;
  const tallies = [];
  const namesIn = (text) => (text || "").split(" ").filter(Boolean);
  function makePicked(table) {
    const rows = [...table.tBodies[0].rows];
    if (rows.length <= FEW_ROWS) return;
    const heads = [...table.tHead.rows[0].cells];
    const placeOf = (name) => heads.findIndex((head) => head.dataset.c === name);
    const texts = rows.map((row) => [...row.cells].filter((_, place) => !heads[place].classList.contains("n")).map((c) => c.textContent).join("\n").toLowerCase());
    const bar = document.createElement("div");
    bar.className = "pager";
    const search = Object.assign(document.createElement("input"), { type: "search" });
    const find = document.createElement("label");
    find.append("Find ", search);
    bar.append(find);
    const choices = [];
    for (const name of namesIn(table.dataset.filters)) {
      const values = rows.map((row) => row.cells[placeOf(name)].textContent.trim());
      const unlike = [...new Set(values)].filter((v) => v !== MISSING).sort(compare);
      if (unlike.length < 2) continue;
      const select = Object.assign(document.createElement("select"), { name });
      for (const value of ["", ...unlike]) select.append(new Option(value || "all", value));
      const label = document.createElement("label");
      label.append(heads[placeOf(name)].textContent.trim() + " ", select);
      bar.append(label);
      choices.push({ select, values });
    }
    const summed = namesIn(table.dataset.sums).map((name) => {
      const head = heads[placeOf(name)];
      const small = head.querySelector("small");
      const unit = head.dataset.u;
      return {
        unit, decimals: unit in decimalsOf ? decimalsOf[unit] : 2, values: rows.map((row) => valueOf(row.cells[placeOf(name)])),
        label: head.textContent.replace(small ? small.textContent : "", "").trim().toLowerCase(),
      };
    });
    const tally = Object.assign(document.createElement("p"), { className: "tally" });
    tally.setAttribute("role", "status");
    table.closest(".scroller").before(bar, tally);
    let kept = [];
    function say() {
      const sums = summed.map(({ label, unit, decimals, values }) => {
        const [sum, shown] = inUnits(kept.reduce((before, i) => before + (values[i] || 0), 0), unit);
        return `${label} ${number(sum, decimals)}${shown ? "\u00a0" + shown : ""}`;
      });
      const match = table.dataset.more ? "rows shown match" : "rows match";
      tally.textContent = `${number(kept.length, 0)} of ${number(rows.length, 0)} ${match}${sums.length ? "; sum of " + sums.join(", of ") : ""}.`;
    }
    function keep() {
      const needle = search.value.trim().toLowerCase();
      kept = [];
      rows.forEach((row, i) => {
        row.hidden = !texts[i].includes(needle) || choices.some((c) => c.select.value !== "" && c.values[i] !== c.select.value);
        if (!row.hidden) kept.push(i);
      });
      say();
    }
    search.addEventListener("input", keep);
    bar.addEventListener("change", keep);
    tallies.push(say);
    keep();
  }
