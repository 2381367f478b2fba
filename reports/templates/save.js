  // ---- a figure saved as a picture: light inks on white, with its words, counts, cautions and day
  const PICTURE = { wide: 640, edge: 24, sharp: 3 };
  const PAINT = ["fill", "fill-opacity", "stroke", "stroke-width", "stroke-dasharray", "font-size", "font-weight", "text-anchor"];
  const face = getComputedStyle(document.body).fontFamily;
  const pen = document.createElement("canvas").getContext("2d");
  const metaOf = (name) => document.querySelector(`meta[name="${name}"]`).content;
  const textOf = (part) => (part ? part.textContent.replace(/[ \n]+/g, " ").trim() : "");
  const escaped = (text) => text.replace(/[&<>"]/g, (c) => `&#${c.charCodeAt(0)};`);
  // lines of [text, size, ink, weight] broken at the picture's width, and where they end
  function typeset(lines, top) {
    let made = "";
    for (const [text, size, ink, weight] of lines.filter((line) => line[0])) {
      pen.font = `${weight} ${size}px ${face}`;
      const rows = [""];
      for (const word of text.split(" ")) {
        const longer = rows.at(-1) ? rows.at(-1) + " " + word : word;
        if (longer === word || pen.measureText(longer).width <= PICTURE.wide) rows[rows.length - 1] = longer;
        else rows.push(word);
      }
      for (const row of rows) {
        top += Math.round(size * 1.35);
        made += `<text x="${PICTURE.edge}" y="${top}" font-size="${size}" font-weight="${weight}" fill="${facts.light[ink]}">${escaped(row)}</text>`;
      }
      top += 4;
    }
    return [made, top];
  }
  // a chart is drawn again at the picture's width, whatever the screen's; series switched off stay off
  async function copyChart(chart) {
    const box = document.body.appendChild(document.createElement("div"));
    box.className = "away";
    await draw(chart.id, box, false);
    if (chart.data) await Plotly.restyle(box, { visible: chart.data.map((trace) => trace.visible ?? true) });
    const high = box.layout.height;
    const text = await Plotly.toImage(box, { format: "svg", width: PICTURE.wide, height: high, imageDataOnly: true });
    Plotly.purge(box);
    box.remove();
    return [text, high];
  }
  // a drawing takes its inks from the style sheet: they are written into the copy
  function copyDrawing(drawing) {
    for (const [role, ink] of Object.entries(facts.light)) drawing.style.setProperty("--" + role, ink);
    drawing.style.color = facts.light.text;
    const copy = drawing.cloneNode(true);
    const copies = [copy, ...copy.querySelectorAll("*")];
    [drawing, ...drawing.querySelectorAll("*")].forEach((part, place) => {
      const seen = getComputedStyle(part);
      for (const name of PAINT) copies[place].setAttribute(name, seen.getPropertyValue(name));
      copies[place].removeAttribute("href");
    });
    for (const part of [drawing, copy]) part.removeAttribute("style");
    const { width, height } = drawing.viewBox.baseVal;
    const wide = Math.min(PICTURE.wide, width);
    copy.setAttribute("width", wide);
    copy.setAttribute("height", (wide * height) / width);
    return [new XMLSerializer().serializeToString(copy), (wide * height) / width];
  }
  async function pictureOf(drawn) {
    const host = drawn.closest(".exhibit, li");
    const title = textOf(host.querySelector(".kicker")).replace(/^\d+/, ":");
    const [above, start] = typeset([
      [textOf(document.querySelector("h1")) + title, 13, "soft", 400],
      [textOf(host.querySelector("h2, h3")), 18, "text", 600], [textOf(host.querySelector("h2 ~ p, h3 ~ p")), 13, "text", 400],
      [textOf(host.querySelector("figcaption:first-child")), 13, "soft", 400],
    ], 12);
    const [figure, high] = await (drawn.matches(".chart") ? copyChart(drawn) : copyDrawing(drawn));
    const count = textOf([...host.querySelectorAll(".notes dd")].find((dd) => textOf(dd.previousElementSibling) === "Count"));
    const cautions = [...host.querySelectorAll(".caution dd, p.caution")].map((part) => ["Caution: " + textOf(part), 12, "second", 400]);
    const people = host.querySelector(".population") || document.querySelector(".opening .population");
    const [below, end] = typeset([
      [textOf(people), 12, "soft", 400], [count, 12, "soft", 400], ...cautions,
      [`${count ? "" : `As of ${textOf(document.querySelector(".facts strong"))}. `}Run ${metaOf("run")}.`, 12, "soft", 400],
    ], start + 8 + Math.ceil(high));
    const [wide, tall] = [PICTURE.wide + 2 * PICTURE.edge, end + 16];
    return [`<svg xmlns="http://www.w3.org/2000/svg" width="${wide}" height="${tall}" viewBox="0 0 ${wide} ${tall}" font-family="${escaped(face)}">`
      + `<rect width="${wide}" height="${tall}" fill="#fff"/>${above}<g transform="translate(${PICTURE.edge} ${start + 8})">${figure}</g>${below}</svg>`, wide, tall];
  }
  async function save(drawn, kind) {
    const [text, wide, tall] = await pictureOf(drawn);
    let blob = new Blob([text], { type: "image/svg+xml" });
    if (kind === "png") {
      const image = new Image();
      image.src = "data:image/svg+xml," + encodeURIComponent(text);
      await image.decode();
      const canvas = Object.assign(document.createElement("canvas"), { width: wide * PICTURE.sharp, height: tall * PICTURE.sharp });
      canvas.getContext("2d").drawImage(image, 0, 0, canvas.width, canvas.height);
      blob = await new Promise((done) => canvas.toBlob(done));
    }
    const name = [textOf(document.querySelector("h1")), drawn.closest("[id]:not(.chart, svg)").id, metaOf("as-of")]
      .filter(Boolean).join("-").replace(/[^\w.-]+/g, "-");
    const link = Object.assign(document.createElement("a"), { href: URL.createObjectURL(blob), download: `${name}.${kind}` });
    link.click();
    setTimeout(() => URL.revokeObjectURL(link.href), 60000);
  }
  for (const drawn of document.querySelectorAll(".chart, svg.bars, svg.strip, svg.map")) {
    const bar = Object.assign(document.createElement("p"), { className: "save" });
    for (const kind of ["svg", "png"]) {
      const button = Object.assign(document.createElement("button"), { type: "button", textContent: "Save " + kind.toUpperCase() });
      const title = textOf(drawn.closest(".exhibit, li").querySelector("h2, h3"));
      button.setAttribute("aria-label", `${button.textContent}: ${title}`);
      button.addEventListener("click", () => save(drawn, kind));
      bar.append(button, " ");
    }
    (drawn.closest(".drawing") || drawn).after(bar);
  }

