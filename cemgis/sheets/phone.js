// Puts the sheet's data on the page as text; nothing of it is ever read as markup.
"use strict";
(() => {
  const d = JSON.parse(document.getElementById("sheet-data").textContent);
  const main = document.getElementById("sheet");
  main.textContent = "";
  const SVG = "http://www.w3.org/2000/svg";
  const add = (parent, tag, text, name) => {
    const made = document.createElement(tag);
    if (text !== undefined && text !== null) made.textContent = text;
    if (name) made.className = name;
    parent.appendChild(made);
    return made;
  };
  const svg = (parent, tag, values) => {
    const made = document.createElementNS(SVG, tag);
    for (const [name, value] of Object.entries(values)) made.setAttribute(name, value);
    parent.appendChild(made);
    return made;
  };
  const looks = {
    space: ["none", "#555555", 0.6], lot: ["none", "#777777", 0.6], drive: ["#eeeeee", "#777777", 0.6],
    own: ["none", "#000000", 1.2, "5 3"], vault: ["url(#stripes)", "#000000", 1.6], burial: ["url(#dots)", "#000000", 1, "4 3"],
    grave: ["url(#crossed)", "#000000", 1, "5 3"], stone: ["#333333", "#000000", 0.6], obstacle: ["url(#dots)", "#000000", 1],
    spoil: ["#f4f4f4", "#000000", 0.8, "2 3"], dig: ["#ffffff", "#000000", 2.8], container: ["none", "#000000", 0.8, "2 2"],
    head: ["none", "#000000", 7], corridor: ["none", "#000000", 0.9, "8 3 2 3"], way: ["none", "#000000", 1.3, "8 3 2 3"],
    tie: ["none", "#000000", 1.3], base: ["none", "#000000", 0.6, "2 3"], check: ["none", "#000000", 1.2, "6 4"],
    black: ["#000000", "#000000", 0.6], ground: ["#ffffff", "none", 0], arrow: ["none", "#000000", 1.4],
    bar: ["none", "#000000", 1.4], sod: ["none", "#000000", 1.8], dimension: ["none", "#000000", 1],
  };
  const pattern = (defs, id, size, lines, dot) => {
    const made = svg(defs, "pattern", { id, width: size, height: size, patternUnits: "userSpaceOnUse" });
    for (const line of lines) svg(made, "path", { d: line, stroke: "#000000", "stroke-width": 0.7, fill: "none" });
    if (dot) svg(made, "circle", { cx: size / 2, cy: size / 2, r: 0.6, fill: "#000000" });
  };
  const draw = (parent, drawing, words) => {
    const made = svg(parent, "svg", { viewBox: `0 0 ${drawing.width} ${drawing.height}`, role: "img" });
    svg(made, "title", {}).textContent = words;
    const defs = svg(made, "defs", {});
    pattern(defs, "stripes", 6, ["M0 6 L6 0"]);
    pattern(defs, "crossed", 5, ["M0 5 L5 0", "M0 0 L5 5"]);
    pattern(defs, "dots", 4, [], true);
    for (const item of drawing.items) {
      if (item.kind === "area" || item.kind === "line") {
        const look = looks[item.style];
        const path = item.at.map((p, k) => `${k ? "L" : "M"}${p[0]} ${p[1]}`).join(" ") + (item.kind === "area" ? " Z" : "");
        svg(made, "path", {
          d: path, fill: item.kind === "area" ? look[0] : "none", stroke: look[1], "stroke-width": look[2],
          "stroke-dasharray": look[3] || "none",
        });
      } else if (item.kind === "disc") {
        svg(made, "circle", { cx: item.x, cy: item.y, r: item.size, fill: "#ffffff" });
      } else if (item.kind === "mark") {
        svg(made, "circle", { cx: item.x, cy: item.y, r: 8, fill: "#ffffff", stroke: "#000000", "stroke-width": 2 });
        svg(made, "text", { x: item.x, y: item.y + 3.6, "font-size": 10, "font-weight": 800, "text-anchor": "middle" }).textContent = item.text;
      } else {
        const text = svg(made, "text", {
          x: item.x, y: item.y + item.size * 0.35, "font-size": item.size, "font-weight": item.bold ? 800 : 400,
          "text-anchor": item.align === "left" ? "start" : "middle", transform: `rotate(${-item.turn} ${item.x} ${item.y})`,
          stroke: "#ffffff", "stroke-width": item.boxed ? 3 : 0, "paint-order": "stroke",
        });
        text.textContent = item.text;
      }
    }
  };
  const ties = (parent, given) => {
    add(parent, "p", given.side, "side");
    for (const row of given.rows) {
      const box = add(parent, "div", null, "tie");
      add(box, "div", `${row.mark}  from ${row.from}`, "from");
      if (row.words !== row.from) add(box, "div", row.words, "words");
      add(box, "div", `to A (head left): ${row.a}`, "length");
      add(box, "div", `to B (head right): ${row.b}`, "length");
      add(box, "div", `tape level; along a slope that falls ${given.fall} / ${given.fall2}: ${row.slope}`, "small");
    }
    for (const check of given.checks) {
      const box = add(parent, "div", null, "tie");
      add(box, "div", `${check.mark}  CHECK from ${check.from}`, "from");
      add(box, "div", `to ${check.corner}: ${check.length}`, "length");
      add(box, "div", `off by more than ${check.tolerance}: STOP`, "side");
    }
    if (!given.checks.length) add(parent, "p", `NO CHECK TIE: ${given.no_check}`, "side");
  };
  add(main, "h1", d.space);
  add(main, "p", `${d.person} · ${d.service} · ${d.container} · ${d.section}, ${d.ground}`);
  add(main, "div", d.verdict, `verdict ${["never", "first", "open"][d.level]}`);
  if (d.level === 2) add(main, "p", "PROBE BEFORE YOU DIG. A person signs the printed sheet.", "probe");
  if (d.all_reasons.length) {
    const list = add(main, "ul");
    for (const reason of d.all_reasons) add(list, "li", `${reason.verdict}: ${reason.text}.`);
  }
  add(main, "p", d.heads, "heads");
  draw(main, d.close_up, "The dig and what lies around it, heads up");
  if (d.ties) {
    add(main, "h2", "Ties");
    draw(main, d.sketch, "Markers and ties, heads up");
    ties(main, d.ties);
  } else add(main, "p", d.no_ties, "side");
  if (d.ties) add(main, "p", `A to B: ${d.numbers[0].value.split(" by ")[0]}, off by more than ${d.ties.across}: STOP.`, "side");
  add(main, "h2", "Depth and numbers");
  draw(main, d.section_drawing, "Depth in section");
  const numbers = add(main, "dl");
  for (const row of d.numbers) { add(numbers, "dt", row.name); add(numbers, "dd", row.value); }
  add(main, "h2", "Cautions");
  const cautions = add(main, "ul");
  for (const line of d.cautions) add(cautions, "li", line);
  add(cautions, "li", `Utilities: ${d.utilities}`);
  add(main, "p", `Unexpected bone, wood or casket: STOP, cover it, leave it, call ${d.call}.`, "bone");
  for (const line of d.offsets) add(main, "p", line, "small");
  if (d.stake) {
    for (const row of d.stake.rows) add(main, "p", row, "small");
    add(main, "p", `${d.stake.crs}; ${d.stake.checked}.`, "small");
  }
  if (d.lonlat.length === 2 && navigator.geolocation) {
    add(main, "h2", "To the section");
    const said = add(main, "p", "This phone can lead you to the section. It cannot find the grave: use the markers.");
    const button = add(main, "button", "Lead me to the section");
    button.type = "button";
    button.addEventListener("click", () => {
      said.textContent = "Waiting for a position ...";
      navigator.geolocation.watchPosition((place) => {
        const rad = Math.PI / 180;
        const north = (d.lonlat[1] - place.coords.latitude) * 111320;
        const east = (d.lonlat[0] - place.coords.longitude) * 111320 * Math.cos(d.lonlat[1] * rad);
        const far = Math.hypot(north, east);
        const ring = place.coords.accuracy;
        const words = ["north", "northeast", "east", "southeast", "south", "southwest", "west", "northwest"];
        const way = words[Math.round(((Math.atan2(east, north) / rad + 360) % 360) / 45) % 8];
        said.textContent = far <= Math.max(ring, 10)
          ? `You are as near as this phone can tell (${Math.round(ring)} m). Now use the markers and the tape.`
          : `About ${Math.round(far)} m ${way}; this phone knows its place within ${Math.round(ring)} m.`;
      }, () => { said.textContent = "No position. Use the map and the markers."; }, { enableHighAccuracy: true });
    });
  }
  add(main, "p", `${d.position}. ${d.made}.`, "small");
})();
