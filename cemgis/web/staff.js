/* The staff's page round the map: search, findings, layers, what lies here. All data is set as text, never as markup. */
"use strict";
(async () => {
  const SAY = {
    tabs: { find: "Find", findings: "Findings", here: "Here", layers: "Layers", about: "About" },
    findLabel: "Space, lot, marker or name",
    findHint: "For example B-114-2, B 114, or part of a name. Capitals, blanks and dashes do not matter.",
    nothing: "Nothing found. Check the spelling or type less of it.",
    more: (n) => `and ${n.toLocaleString("en")} more: type more of it`,
    noPlace: "no place on the map",
    noFindings: "No findings.",
    findingsHint: "Worst first. The numbers are the ones on the map.",
    hereEmpty: "Tap the map, or move it with the arrow keys and press Enter, to see what lies there.",
    hereNone: "Nothing that is shown lies here.",
    radius: "95 % radius of spaces, markers and places to search",
    byRule: " – by rule, not settled",
    radiusHint: "The circle holds the true place with 95 % probability. It is drawn where it is large enough to see.",
    old: "This browser is too old to open the map: it cannot unpack compressed data. Use a current one.",
    mapLabel: "Map of the ground. Arrow keys move it, plus and minus zoom, Enter tells what lies under the cross.",
    picture: "Picture under the map",
    empty: "–",
  };
  const { $, make, stop, licence, scaleBar } = cemgisPage;
  if (!("DecompressionStream" in window)) { stop(SAY.old); return; }

  const { unpack, value, number, text, middle, swatch, tiles, at, toGrid, toLatLng, fromLatLng } = cemgisMap;
  let ground;
  try { ground = await unpack($("ground-data").textContent); }
  catch (error) { stop(`The map's data cannot be read: ${error.message}. Make the page again.`); return; }
  const map = map_ground;
  const options = { radius: false };
  let bitmap = null;
  function* paintPicture(ctx, _, view) {
    if (!bitmap) return;
    const [a, b, c] = ground.picture.corners, w = bitmap.width, h = bitmap.height, s = view.s;
    ctx.globalAlpha = 0.75;
    ctx.transform((b[0] - a[0]) * s / w, (b[1] - a[1]) * s / w, (c[0] - a[0]) * s / h, (c[1] - a[1]) * s / h, (a[0] - view.ox) * s, (a[1] - view.oy) * s);
    ctx.drawImage(bitmap, 0, 0);
  }
  const below = tiles(ground, {}, paintPicture).setZIndex(0);
  const canvas = tiles(ground, options).setZIndex(1).addTo(map);
  const say = (words) => { $("said").textContent = words; };
  const capital = (words) => words.charAt(0).toUpperCase() + words.slice(1);

  $("ground-name").textContent = ground.facts.name;
  document.title = `STAFF – ${ground.facts.name}`;
  map.getContainer().setAttribute("aria-label", SAY.mapLabel);
  map.getContainer().setAttribute("role", "application");
  const [x0, y0, x1, y1] = ground.bounds;
  const whole = L.latLngBounds(toLatLng(ground, x0, y0), toLatLng(ground, x1, y1));
  /* Above one another, the map takes the height the ground needs at the screen's width, and no empty land. */
  function shareHeight() {
    const high = innerWidth * Math.abs(y1 - y0) / Math.max(Math.abs(x1 - x0), 1) + 150;
    const share = Math.max(innerHeight * 0.4, Math.min(innerHeight * 0.6, high));
    document.documentElement.style.setProperty("--map-high", `${Math.round(share)}px`);
    map.invalidateSize({ animate: false });
  }
  shareHeight();
  addEventListener("resize", shareHeight);
  map.fitBounds(whole, { padding: [16, 16], animate: false });
  map.setMaxBounds(whole.pad(1.5));

  // ---- tabs --------------------------------------------------------------------------------------------------------

  const bodies = {}, buttons = {};
  function open(name, focus) {
    for (const key of Object.keys(bodies)) {
      const on = key === name;
      bodies[key].hidden = !on;
      buttons[key].setAttribute("aria-selected", String(on));
      buttons[key].tabIndex = on ? 0 : -1;
    }
    $("bodies").scrollTop = 0;
    if (focus) buttons[name].focus();
  }
  for (const [name, word] of Object.entries(SAY.tabs)) {
    buttons[name] = make("button", { type: "button", role: "tab", id: `tab-${name}`, "aria-controls": `body-${name}`, onclick: () => open(name) }, word);
    bodies[name] = make("div", { role: "tabpanel", id: `body-${name}`, "aria-labelledby": `tab-${name}` });
    $("tabs").append(buttons[name]);
    $("bodies").append(bodies[name]);
  }
  $("tabs").addEventListener("keydown", (event) => {
    const names = Object.keys(buttons), now = names.findIndex((name) => buttons[name].tabIndex === 0);
    const step = { ArrowRight: 1, ArrowLeft: -1, Home: -now, End: names.length - 1 - now }[event.key];
    if (step === undefined) return;
    event.preventDefault();
    open(names[(now + step + names.length) % names.length], true);
  });

  // ---- what belongs together ---------------------------------------------------------------------------------------

  const key = (layer, i) => text(layer, layer.key, i) || "";
  const title = (layer, i) => `${layer.one} ${key(layer, i)}`;
  const lists = new Map();
  /* Rows of a layer by the value of a column; made when first asked for. */
  function rowsBy(name, columnName) {
    const id = `${name}.${columnName}`;
    if (!lists.has(id)) {
      const found = new Map(), layer = ground.byName.get(name), column = layer && layer.byColumn.get(columnName);
      if (column) for (let i = 0; i < layer.n; i++) {
        const v = value(column, i);
        if (v === null) continue;
        if (!found.has(v)) found.set(v, []);
        found.get(v).push(i);
      }
      lists.set(id, found);
    }
    return lists.get(id);
  }
  function related(layer, i) {
    const out = [], id = key(layer, i);
    const add = (name, columnName, wanted) => {
      const other = ground.byName.get(name);
      if (other && wanted) for (const k of (rowsBy(name, columnName).get(wanted) || []).slice(0, 60)) out.push({ layer: other, i: k });
    };
    if (layer.name === "spaces" || layer.name === "niches") {
      add("events", "space_id", id);
      for (const event of [...out]) add("people", "person_id", text(event.layer, "person_id", event.i));
      add("rights", "space_id", id);
      for (const name of ["vaults", "monuments", "probable_graves"]) add(name, "space_id", id);
    }
    if (layer.name === "lots") add("spaces", "lot_id", id);
    if (layer.name === "people") add("events", "person_id", id);
    if (layer.name === "corners") add("markers", "corner_id", id);
    if (layer.name !== "findings") add("findings", "subject", id);
    return out;
  }
  /* The row whose place on the map stands for a row that has none. */
  function placeOf(layer, i) {
    if (layer.kind && layer.placed[i]) return { layer, i };
    const tries = [];
    if (layer.name === "people") for (const k of rowsBy("events", "person_id").get(key(layer, i)) || []) tries.push(text(ground.byName.get("events"), "space_id", k));
    tries.push(text(layer, "space_id", i));
    if (layer.name === "findings") tries.push(text(layer, "subject", i));
    for (const wanted of tries) {
      if (!wanted) continue;
      for (const other of ground.layers) {
        if (!other.kind) continue;
        for (const k of rowsBy(other.name, other.key).get(wanted) || []) if (other.placed[k]) return { layer: other, i: k };
      }
    }
    return null;
  }

  // ---- choosing something --------------------------------------------------------------------------------------------

  const chosen = L.layerGroup().addTo(map);
  function mark(layer, i) {
    chosen.clearLayers();
    const outline = (paint) => {
      for (let r = layer.ringOf[i]; r < layer.ringOf[i + 1]; r++) {
        const points = [];
        for (let p = layer.pointOf[r]; p < layer.pointOf[r + 1]; p++) points.push(toLatLng(ground, layer.x[p], layer.y[p]));
        const style = { interactive: false, fill: false, ...paint };
        if (layer.kind === "mark") chosen.addLayer(L.circleMarker(points[0], { ...style, radius: 14 }));
        else chosen.addLayer((layer.kind === "area" ? L.polygon : L.polyline)(points, style));
      }
    };
    outline({ color: "#ffffff", weight: 8, opacity: 0.9 });
    outline({ color: "#2b2b2b", weight: 4 });
    const radius = number(layer.byColumn.get("radius_95"), i);
    if (radius * ground.grid.per_unit * 2 ** (map.getZoom() - cemgisMap.ZOOM) > 3) {
      const [x, y] = middle(layer, i), ring = [];
      for (let k = 0; k < 48; k++) {
        const turn = k * Math.PI / 24, reach = radius * ground.grid.per_unit;
        ring.push(toLatLng(ground, x + reach * Math.cos(turn), y + reach * Math.sin(turn)));
      }
      chosen.addLayer(L.polygon(ring, { interactive: false, fill: false, color: "#1b4965", weight: 2, dashArray: "5 4" }));
    }
  }
  function go(layer, i) {
    const o = 4 * i, room = layer.kind === "area" ? 1.6 : 0;
    const w = (layer.box[o + 2] - layer.box[o]) * room, h = (layer.box[o + 3] - layer.box[o + 1]) * room;
    const least = 26 * ground.grid.per_unit * (ground.facts.suffix === "ft" ? 1 : 0.3048);
    const [x, y] = middle(layer, i), rx = Math.max(w, least), ry = Math.max(h, least);
    map.fitBounds(L.latLngBounds(toLatLng(ground, x - rx, y - ry), toLatLng(ground, x + rx, y + ry)), { animate: false, maxZoom: 24 });
  }
  function show(layer, i, focus) {
    const place = placeOf(layer, i);
    if (place) {
      if (!place.layer.shown) setShown(place.layer, true);
      go(place.layer, place.i);
      mark(place.layer, place.i);
    } else chosen.clearLayers();
    const rows = [{ layer, i }];
    if (place && (place.layer !== layer || place.i !== i)) rows.push(place);
    tell(rows, place ? null : `${title(layer, i)}: ${SAY.noPlace}`, focus);
  }

  /* What stands against the heads by rule where a row lies, or nothing. */
  const doubt = (layer, i) => (layer.byColumn.has("section") ? ground.unsettled[text(layer, "section", i)] : undefined);
  const dress = (column) => column.name.replaceAll("_", " ") + (column.unit ? ` (${column.unit})` : "");
  function card(layer, i, isOpen) {
    const table = make("table", {});
    for (const column of layer.columns) {
      const said = value(column, i);
      const doubted = said !== null && /^heads(_azimuth)?$/.test(column.name) && doubt(layer, i) ? SAY.byRule : "";
      table.append(make("tr", {}, make("th", { scope: "row", title: column.doc }, dress(column)), make("td", {}, said === null ? SAY.empty : said + doubted)));
    }
    const hint = layer.classOf && layer.symbols[layer.classOf[i]] && layer.symbols.length > 1 ? ` – ${layer.symbols[layer.classOf[i]].word}` : "";
    const details = make("details", {}, make("summary", {}, make("b", {}, title(layer, i)), hint), table);
    details.open = isOpen;
    return details;
  }
  function summaryOf(layer, i) {
    const words = { spaces: ["state"], people: ["name", "died"], events: ["kind", "date"], rights: ["holder", "instrument"], findings: ["kind", "reason"], vaults: ["container"], monuments: ["kind"] }[layer.name] || [];
    return words.map((name) => text(layer, name, i)).filter(Boolean).join(", ");
  }
  function tell(rows, note, focus) {
    const body = bodies.here;
    body.replaceChildren(make("h2", { tabindex: "-1" }, rows.length ? title(rows[0].layer, rows[0].i) : SAY.tabs.here));
    if (note) body.append(make("p", { class: "hint" }, note));
    const warn = rows.map((row) => doubt(row.layer, row.i)).find(Boolean);
    if (warn) body.append(make("p", { class: "warn" }, capital(warn) + "."));
    if (!rows.length) body.append(make("p", {}, SAY.hereNone));
    rows.slice(0, 40).forEach((row, k) => body.append(card(row.layer, row.i, k === 0)));
    const kin = rows.length ? related(rows[0].layer, rows[0].i) : [];
    if (kin.length) {
      body.append(make("h3", {}, "Belongs to it"));
      const list = make("ul", { class: "list" });
      for (const row of kin) list.append(make("li", {}, hit(row, summaryOf(row.layer, row.i))));
      body.append(list);
    }
    open("here");
    if (focus) body.firstChild.focus();
    say(rows.length ? `${title(rows[0].layer, rows[0].i)}. ${summaryOf(rows[0].layer, rows[0].i)}${warn ? `. ${capital(warn)}` : ""}` : SAY.hereNone);
  }
  function hit(row, more) {
    return make("button", { type: "button", onclick: () => show(row.layer, row.i, true) },
      title(row.layer, row.i), more ? make("span", { class: "what" }, ` ${more}`) : null);
  }

  // ---- what lies here ------------------------------------------------------------------------------------------------

  function identify(latlng, reachPx) {
    const [x, y] = fromLatLng(ground, latlng);
    const rows = at(ground, x, y, reachPx * 2 ** (cemgisMap.ZOOM - map.getZoom()));
    if (rows.length) mark(rows[0].layer, rows[0].i);
    else chosen.clearLayers();
    tell(rows, null, false);
  }
  let coarse = matchMedia("(pointer: coarse)").matches;
  map.getContainer().addEventListener("pointerdown", (event) => { coarse = event.pointerType === "touch"; }, true);
  map.on("click", (event) => identify(event.latlng, coarse ? 20 : 9));
  map.getContainer().addEventListener("keydown", (event) => {
    if (event.key === "Enter" && event.target === map.getContainer()) { event.preventDefault(); identify(map.getCenter(), 9); }
  });
  bodies.here.append(make("h2", {}, SAY.tabs.here), make("p", { class: "hint" }, SAY.hereEmpty));

  // ---- search --------------------------------------------------------------------------------------------------------

  const fold = (words) => words.normalize("NFD").replace(/[\u0300-\u036f]/g, "").toLowerCase();
  const tight = (words) => fold(words).replace(/[^\p{L}\p{N}]+/gu, " ").trim().split(" ").map((part) => part.replace(/^0+(?=\d)/, "")).join(" ");
  const SEARCHED = [["spaces", ["space_id"]], ["lots", ["lot_id"]], ["niches", ["space_id"]], ["markers", ["label"]], ["people", ["name"]], ["rights", ["holder"]],
    ["sections", ["section", "title"]], ["vaults", ["vault_id"]], ["monuments", ["monument_id"]], ["probable_graves", ["grave_id"]], ["obstacles", ["obstacle_id", "kind"]], ["drives", ["drive_id", "name"]], ["control", ["control_id"]]];
  const index = [];
  /* Each distinct word group once, folded; done in idle moments, or at once when somebody is faster than that. */
  const folding = (function* () {
    for (const [name, columns] of SEARCHED) {
      const layer = ground.byName.get(name);
      for (const columnName of columns) {
        const column = layer && layer.byColumn.get(columnName);
        if (!column || !column.words) continue;
        const plain = [], joined = [];
        for (const word of column.words) {
          plain.push(tight(word));
          joined.push(plain[plain.length - 1].replaceAll(" ", ""));
          if (plain.length % 500 === 0) yield;
        }
        index.push({ layer, column, columnName, plain, joined, rows: () => rowsBy(name, columnName) });
        yield;
      }
    }
  })();
  function words() {
    while (!folding.next().done);
    return index;
  }
  function foldSome() {
    const until = performance.now() + 6;
    while (performance.now() < until) if (folding.next().done) return;
    setTimeout(foldSome, 20);
  }
  setTimeout(foldSome, 300);
  function edits(a, b, most) {
    if (Math.abs(a.length - b.length) > most) return most + 1;
    let last = Array.from({ length: b.length + 1 }, (_, k) => k);
    for (let i = 1; i <= a.length; i++) {
      const row = [i];
      for (let j = 1; j <= b.length; j++) row[j] = Math.min(last[j] + 1, row[j - 1] + 1, last[j - 1] + (a[i - 1] === b[j - 1] ? 0 : 1));
      if (Math.min(...row) > most) return most + 1;
      last = row;
    }
    return last[b.length];
  }
  function search(asked, loose) {
    const wanted = tight(asked), joined = wanted.replaceAll(" ", ""), parts = wanted.split(" ");
    if (!joined) return [];
    const found = [];
    words().forEach((entry, rank) => {
      entry.plain.forEach((plain, k) => {
        let score = 99;
        if (plain === wanted || entry.joined[k] === joined) score = 0;
        else if (plain.startsWith(wanted + " ")) score = 1;
        else if (entry.joined[k].startsWith(joined)) score = 2;
        else {
          const pieces = plain.split(" ");
          if (parts.every((part) => pieces.some((piece) => piece.startsWith(part)))) score = 3;
          else if (joined.length > 2 && entry.joined[k].includes(joined)) score = 4;
          else if (loose && !/\d/.test(joined) && parts.every((part) => part.length > 2 && pieces.some((piece) => edits(part, piece, part.length > 5 ? 2 : 1) <= (part.length > 5 ? 2 : 1)))) score = 6;
        }
        if (score < 99) found.push({ entry, k, score: score + rank / 100 });
      });
    });
    found.sort((a, b) => a.score - b.score || a.k - b.k);
    return found;
  }
  const box = make("input", { id: "find-box", type: "search", autocomplete: "off", spellcheck: "false", enterkeyhint: "search", "aria-describedby": "find-hint" });
  const results = make("ul", { class: "list", id: "results" });
  const count = make("p", { class: "hint", role: "status", id: "count" });
  bodies.find.append(make("label", { class: "over", for: "find-box" }, SAY.findLabel), box, make("p", { class: "hint", id: "find-hint" }, SAY.findHint), count, results);
  function ask() {
    results.replaceChildren();
    if (!tight(box.value)) { count.textContent = ""; return; }
    let found = search(box.value, false);
    if (!found.length) found = search(box.value, true);
    let shown = 0, total = 0;
    for (const { entry, k } of found) {
      const rows = entry.rows().get(entry.column.words[k]) || [];
      total += rows.length;
      for (const i of rows) {
        if (shown >= 40) break;
        shown++;
        const word = entry.columnName === entry.layer.key ? "" : `${entry.columnName.replaceAll("_", " ")}: ${entry.column.words[k]}`;
        const place = entry.layer.kind ? "" : text(entry.layer, "space_id", i) || (entry.layer.name === "people" && placeOf(entry.layer, i) ? key(placeOf(entry.layer, i).layer, placeOf(entry.layer, i).i) : "");
        results.append(make("li", {}, hit({ layer: entry.layer, i }, [word || summaryOf(entry.layer, i), place].filter(Boolean).join(" · "))));
      }
    }
    count.textContent = total ? `${total.toLocaleString("en")} found${total > shown ? `; ${SAY.more(total - shown)}` : ""}` : SAY.nothing;
  }
  let soon = 0;
  box.addEventListener("input", () => { clearTimeout(soon); soon = setTimeout(ask, 60); });
  box.addEventListener("keydown", (event) => {
    if (event.key !== "Enter") return;
    clearTimeout(soon); ask();
    const first = results.querySelector("button");
    if (first) first.click();
  });

  // ---- findings ------------------------------------------------------------------------------------------------------

  const findings = ground.byName.get("findings");
  buttons.findings.textContent = `${SAY.tabs.findings} (${findings ? findings.n : 0})`;
  bodies.findings.append(make("h2", {}, SAY.tabs.findings));
  if (!findings) bodies.findings.append(make("p", {}, SAY.noFindings));
  else {
    bodies.findings.append(make("p", { class: "hint" }, SAY.findingsHint));
    const list = make("ul", { class: "list", id: "finding-list" });
    for (let i = 0; i < findings.n; i++) {
      const severity = text(findings, "severity", i), symbol = findings.symbols[findings.classOf[i]];
      const picture = swatch(symbol, "mark");
      picture.className = "swatch";
      list.append(make("li", {}, make("button", { type: "button", onclick: () => show(findings, i, true) },
        make("span", { class: `severity ${severity}` }, picture, make("span", { class: "number" }, `${i + 1}`), capital(severity)),
        ` ${text(findings, "kind", i)}: ${text(findings, "subject", i)}`,
        make("span", { class: "what" }, ` – ${text(findings, "reason", i)}. ${text(findings, "todo", i)}${placeOf(findings, i) ? "" : ` (${SAY.noPlace})`}`))));
    }
    bodies.findings.append(list);
  }

  // ---- layers --------------------------------------------------------------------------------------------------------

  const boxes = new Map();
  function setShown(layer, on) {
    layer.shown = on;
    if (boxes.has(layer)) boxes.get(layer).checked = on;
    canvas.redraw();
  }
  bodies.layers.append(make("h2", {}, "Layers and what they look like"));
  const radius = make("input", { type: "checkbox", id: "radius" });
  radius.addEventListener("change", () => { options.radius = radius.checked; canvas.redraw(); });
  bodies.layers.append(make("label", { class: "row" }, radius, make("span", {}, SAY.radius)), make("p", { class: "hint" }, SAY.radiusHint));
  if (ground.picture) {
    const tick = make("input", { type: "checkbox", id: "picture" });
    tick.addEventListener("change", () => {
      if (tick.checked) below.addTo(map); else below.remove();
      // White paper lets the picture through, ink stays ink.
      canvas.getContainer().style.mixBlendMode = tick.checked ? "multiply" : "";
    });
    bodies.layers.append(make("label", { class: "row" }, tick, make("span", {}, SAY.picture)), make("p", { class: "hint" }, ground.picture.words));
    const bytes = Uint8Array.from(atob($("ground-picture").textContent), (letter) => letter.charCodeAt(0));
    createImageBitmap(new Blob([bytes], { type: ground.picture.kind })).then(
      (made) => { bitmap = made; tick.checked = true; tick.dispatchEvent(new Event("change")); },
      () => { tick.disabled = true; },
    );
  }
  for (const layer of [...ground.layers].reverse()) {
    if (!layer.kind) continue;
    const tick = make("input", { type: "checkbox", id: `layer-${layer.name}` });
    tick.checked = layer.shown;
    tick.addEventListener("change", () => setShown(layer, tick.checked));
    boxes.set(layer, tick);
    bodies.layers.append(make("label", { class: "row", title: layer.doc }, tick, make("span", {}, `${layer.word} (${layer.classOf.reduce((sum, c) => sum + (c >= 0), 0).toLocaleString("en")})`)));
    const used = new Set(layer.classOf);
    const list = make("ul", { class: "legend" });
    layer.symbols.forEach((symbol, c) => {
      if (!used.has(c)) return;
      const picture = swatch(symbol, layer.kind);
      picture.className = "swatch";
      list.append(make("li", {}, picture, symbol.word));
    });
    bodies.layers.append(list);
  }

  // ---- about ---------------------------------------------------------------------------------------------------------

  const f = ground.facts;
  const told = [["Ground", f.name], ["Place", f.place], ["Date", f.date], ["Coordinates", f.crs], ["Unit", f.unit], ["Accuracy", f.accuracy],
    ["North", `the map's top is true north; ${f.north.join("; ")}`], ["Made from evidence", f.hash], ["Made by", `cemgis ${f.version}`], ...ground.leftOut.map((words) => ["Left out", words])];
  const table = make("table", {});
  for (const [name, words] of told) if (words) table.append(make("tr", {}, make("th", { scope: "row" }, name), make("td", {}, words)));
  bodies.about.append(make("h2", {}, SAY.tabs.about), table,
    make("p", {}, "For staff. It shows rights, states and findings that are not published. Not a boundary survey: boundaries, plats and monuments are a licensed surveyor's."));
  const run = ground.byName.get("run");
  if (run) {
    const rows = make("table", {});
    for (let i = 0; i < run.n; i++) rows.append(make("tr", {}, make("th", { scope: "row" }, text(run, "name", i) || ""), make("td", {}, [text(run, "value", i), text(run, "source", i)].filter(Boolean).join(" – "))));
    bodies.about.append(make("details", {}, make("summary", {}, make("b", {}, run.word)), rows));
  }
  bodies.about.append(make("details", {}, make("summary", {}, make("b", {}, "Leaflet, which moves the map")), make("p", { class: "licence" }, licence())));

  // ---- what is not settled in view ------------------------------------------------------------------------------------

  /* The number of a section may lie outside the view, what is doubtful about it may not. */
  function doubtInView() {
    const layer = ground.byName.get("sections"), lots = ground.byName.get("lots") || ground.byName.get("spaces"), seen = [];
    const scale = 2 ** (map.getZoom() - cemgisMap.ZOOM), view = map.getBounds();
    if (layer && (!lots || lots.side * scale >= 14)) {
      const [x0, y0] = fromLatLng(ground, view.getNorthWest()), [x1, y1] = fromLatLng(ground, view.getSouthEast());
      for (const i of layer.index.query(x0, y0, x1, y1)) {
        const name = key(layer, i);
        if (ground.unsettled[name]) seen.push(`${name}: ${ground.unsettled[name]}`);
      }
    }
    $("doubt").textContent = seen.join("; ");
  }
  map.on("moveend zoomend resize", doubtInView);
  doubtInView();

  // ---- scale bar and pointer -------------------------------------------------------------------------------------------

  const rescale = () => scaleBar(map, ground, f.suffix);
  map.on("zoomend resize", rescale);
  rescale();
  const grouped = (v) => v.toLocaleString("en", { minimumFractionDigits: 1, maximumFractionDigits: 1 });
  map.on("mousemove", (event) => {
    const [e, n] = toGrid(ground, ...fromLatLng(ground, event.latlng));
    $("pointer").textContent = `E ${grouped(e)}  N ${grouped(n)} ${f.suffix}`;
  });
  map.on("mouseout", () => { $("pointer").textContent = ""; });
  new ResizeObserver(() => map.invalidateSize({ animate: false })).observe(map.getContainer());

  open("find");
  const asked = decodeURIComponent(location.hash.slice(1));
  if (asked && asked !== "find-box") { box.value = asked; ask(); const first = results.querySelector("button"); if (first) first.click(); }
  document.body.dataset.ready = "yes";
  window.cemgisGround = ground;
})();
