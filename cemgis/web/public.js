/* The public's page round the map: search, a person's place in words, the way there, lists and slips to print.
   All data is set as text, never as markup; the page asks for nothing and sends nothing. */
"use strict";
(async () => {
  // ---- all that is said ----------------------------------------------------------------------------------------------
  const { $, make, stop, grouped, licence, scaleBar } = cemgisPage;
  const plural = (n, one, many) => `${grouped(n)} ${n === 1 ? one : many}`;
  const SAY = {
    title: (ground) => `${ground} – who lies where`,
    findLabel: "Name, year or place",
    findHint: "As you remember it: spelling need not be right. A year may follow, as in \u201csmith 1887\u201d; a place too, as in \u201cB 114\u201d.",
    clear: "Clear",
    nav: "Pages",
    home: "Search", list: "Lists", about: "About",
    noGraves: "No graves are published in this map. It shows sections, lots and drives; a place can be searched by its number.",
    count: (n) => plural(n, "grave is", "graves are"),
    start: (n) => `${n} in this map. Type a name, or tap the map.`,
    nothing: "Nothing found. Try fewer letters, another spelling, or only the family name. Not everybody who lies here is in this map.",
    found: (n, shown) => (n > shown ? `${grouped(n)} found; the best ${shown} are shown` : `${grouped(n)} found`),
    similar: "similar spelling or sound", otherYear: "another year",
    nameUnknown: "Name not known",
    born: "Born", died: "Died", buried: "Buried", bornAs: (name) => `born ${name}`, written: "Written as",
    veteran: "Veteran",
    noDates: "no dates",
    where: "Where",
    section: (name, title) => (title && title !== name ? `Section ${name} (${title})` : `Section ${name}`),
    row: (row) => `row ${row}`, lot: (lot) => `lot ${lot}`, space: (space) => `space ${space}`, grave: (space) => `grave ${space}`,
    niche: (o) => [o.building && `building ${o.building}`, o.face && `${o.face} face`, o.row && `row ${o.row} from the bottom`, o.column && `column ${o.column} from the left`],
    placeOnly: (id) => `place ${id}`,
    noSpace: "Which space of the lot is not known.",
    onlySection: "Where in the section is not given.",
    nowhere: "No place is given.",
    notDrawn: "This place is not drawn on the map.",
    heads: (side) => `The heads lie to the ${side}, by the rule of the section.`,
    stone: (side) => `A stone stands at the ${side} end.`,
    stoneMiddle: "A stone stands in the middle.",
    kinds: { cremation: "A space for ashes.", infant: "A small space, for a child." },
    way: "The way there",
    fromGate: (gate, side, drive, far) => `From ${gate}, go ${side} on ${drive}: ${far}.`,
    turn: (hand, side, drive, far) => `${hand} ${drive}, ${side}: ${far}.`,
    hands: { left: "Turn left on to", right: "Turn right on to", on: "Go on along", keepleft: "Bear left, still on", keepright: "Bear right, still on" },
    leave: (hand, side, far, past) => `Leave the drive ${hand} and walk ${side} over the grass: ${far}${past}.`,
    leaveHands: { left: "on your left", right: "on your right", on: "straight ahead" },
    past: (lots) => (lots ? `, past ${plural(lots, "lot", "lots")}` : ""),
    total: (far, minutes) => `About ${far} from the gate in all, ${plural(minutes, "minute", "minutes")} on foot.`,
    gate: "the gate", drive: "the drive",
    noGate: "No gate is marked on this map; this starts on the nearest drive.",
    notJoined: "The nearest drive is not joined to a gate on this map; this starts there.",
    fromDrive: (drive, side, far, past) => `From ${drive}, walk ${side}: ${far}${past}.`,
    nearer: (drive, length, side) => `Nearer to it is ${drive}, ${length} ${side} of it; this map shows no way from there to a gate.`,
    barrier: (kind) => `A ${kind} stands in between: walk round it.`,
    noDrives: "No drives are marked on this map: measure from the edges of the section.",
    edges: "In the section",
    fromEdges: (a, b) => `From ${a}, and from ${b}.`,
    edge: (side, far, way) => `its ${side} edge ${far} ${way}`,
    steps: (n) => `${grouped(n)} steps`,
    stepsMean: "A step is taken as 0.75 m (2 ft 6 in). Distances are from the middle of the drive.",
    position: (lat, lon, crs) => `Latitude ${lat}, longitude ${lon} (${crs}). A phone or receiver may be several steps off.`,
    here: "In this space", inLot: "Around it, in the same lot", inRow: "Next to it, in the same row",
    sameName: "same surname",
    nobody: "Nobody who lies here is in this map. That does not say that the place is free: many graves are not published, or not known.",
    graves: (n) => plural(n, "grave in this map", "graves in this map"),
    showWay: "Show the way on the map", showPlace: "Show the place on the map", print: "Print this page", slip: "Something is wrong here",
    link: "Link to this page",
    linkRests: "This link names the place and the name as they stand today. It goes on working in later editions as long as neither is corrected; if one is, the page searches for the name.",
    linkGone: (text) => `The link names \u201c${text}\u201d, which is not in this edition.`,
    nearest: "These come nearest:",
    linkNobody: (text) => `The link names \u201c${text}\u201d, who is not at this place in this edition, and nobody of a like name is in it. This is the place.`,
    nothingHere: "Nothing that is in this map lies under the cross.",
    back: "Back",
    listTitle: "Lists", listSection: "Section", listAll: "all sections", listVeterans: "only veterans", listOrder: "Order", byName: "by name", byPlace: "by place",
    listHead: ["Name", "Born", "Died", "Place"], listBuried: (year) => `buried ${year}`,
    listCount: (n, shown) => (n > shown ? `${plural(n, "grave", "graves")}, the first ${grouped(shown)} are shown` : plural(n, "grave", "graves")),
    listMore: "Show more", listPrint: "Print this list",
    listTooLong: (n) => `A printed list holds ${grouped(n)} at most: choose a section.`,
    slipTitle: "Slip for a correction",
    slipIntro: "Print it, fill it in by hand, and hand or send it to the office. Nothing is sent from this page.",
    slipTo: "To", slipAbout: "About", slipLines: ["What is wrong here", "What is right", "How I know (stone, family record, other)", "My name, and how to reach me", "Date"],
    slipNoContact: "the office of this burial ground",
    slipPrint: "Print the slip",
    aboutTitle: "About this map",
    aboutRows: { ground: "Burial ground", as_of: "State of the records", graves: "Graves in this map", licence: "Licence", contact: "Corrections and questions", crs: "Survey system", made: "Made by" },
    aboutWhat: "Not everybody who lies here is in this map. People who are or may be living, recent burials, names withheld on request, and graves nobody has recorded are left out. Every space looks alike unless a grave in it is published: an unmarked space is not a free one.",
    aboutSafe: "The page is one file. It works without a network and without knowing where you are; it loads nothing, sends nothing and keeps nothing.",
    aboutSurvey: "Not a boundary survey. Places may be off by a step or two; read the stone.",
    aboutKeys: "Keyboard: the arrow keys go through the results; on the map they move it, plus and minus zoom, and Enter opens the place under the cross. Escape goes back to the search.",
    leaflet: "Leaflet, which moves the map", folium: "The map is a folium map.",
    mapLabel: "Map of the burial ground. Arrow keys move it, plus and minus zoom, Enter opens the place under the cross.",
    whole: "Whole map", larger: "Larger map", smaller: "Smaller map", picture: "Picture", markHere: "you are looking for",
    old: "This browser is too old to open the map: it cannot unpack compressed data. Use a current one.",
    broken: (why) => `The map's data cannot be read: ${why}. Make the page again.`,
    sides: ["north", "northeast", "east", "southeast", "south", "southwest", "west", "northwest"],
    months: ["January", "February", "March", "April", "May", "June", "July", "August", "September", "October", "November", "December"],
    nextTo: (what, side) => `${what}, ${side} of it`,
    asOf: (day) => `State of the records: ${day}`,
  };
  const LOOK = { paper: "#fbf7ee", land: "#f0e9d8", landLine: "#6f6350", drive: "#ddd2bc", driveLine: "#9c8f78", lot: "#8a7d67", space: "#b7ab95", spaceFill: "#fbf8f0",
    stone: "#4a5a54", monument: "#6b675e", tree: "#d5dcc6", treeLine: "#64754d", thing: "#d9d2c6", thingLine: "#6b6257", ink: "#26221d", gate: "#7a3b12", chosen: "#7a3b12", way: "#7a3b12" };
  const BARRIER = /wall|fence|building|hedge|pond|water|stream|chapel|house|shed|vault/i;
  const TREE = /tree|shrub|hedge|bush/i;
  const SHOWN = 60, LIST_FIRST = 150, LIST_PRINT = 4000, STEP_M = 0.75, WALK_M_MIN = 75;

  const { openBlock, sums, place: placeLayer, makeIndex, trace, halo, inside, tiles, toLatLng, fromLatLng, middle } = cemgisMap;
  if (!("DecompressionStream" in window)) { stop(SAY.old); return; }
  const say = (words) => { $("said").textContent = words; };

  // ---- the ground ----------------------------------------------------------------------------------------------------
  let block;
  try { block = await openBlock($("ground-data").textContent); }
  catch (error) { stop(SAY.broken(error.message)); return; }
  const { header, integers } = block;
  const facts = header.facts, ground = { origin: header.origin, grid: header.grid, bounds: header.bounds };
  $("ground-name").textContent = facts.name;
  $("ground-place").textContent = facts.place;
  document.title = SAY.title(facts.name);

  function layer(told, kind) {
    const made = { n: told.n, kind, texts: {} };
    placeLayer(made, told.places, integers);
    for (const [name, text] of Object.entries(told.texts || {})) made.texts[name] = { at: integers(text.at), words: text.words };
    made.text = (name, i) => { const t = made.texts[name]; return t && t.at[i] ? t.words[t.at[i] - 1] : ""; };
    return made;
  }
  function numbered(told) {
    const at = integers(told.at), odd = integers(told.odd), other = new Map();
    odd.forEach((k, i) => other.set(k, told.words[i]));
    return (i) => (at[i] >= 0 ? String(at[i]) : other.get(i) || "");
  }
  const renames = (told) => { const at = integers(told.renamed), out = new Map(); at.forEach((k, i) => out.set(k, told.names[i])); return out; };
  const sections = layer(header.sections, "area"), drives = layer(header.drives, "area"), obstacles = layer(header.obstacles, "area");
  const monuments = layer(header.monuments, "area"), gates = layer(header.gates, "mark");
  const sectionNames = header.section_names, sectionRow = header.section_row;

  const G = (() => {
    const told = header.groups, n = told.n, count = integers(told.count), start = sums(count);
    return { n, count, start, section: integers(told.section), row: integers(told.row), rowWords: told.row_words, lot: numbered(told.lot), isLot: integers(told.is_lot),
      plain: integers(told.plain), outlines: (() => { const made = { n, kind: "area" }; placeLayer(made, told.outlines, integers); return made; })(), renamed: renames(told) };
  })();
  const S = (() => {
    const told = header.spaces, n = told.n, x = new Int32Array(4 * n), y = new Int32Array(4 * n), group = new Uint32Array(n);
    const R = told.rings, read = (list) => list.map(integers);
    const at = read(R.at), a = read(R.a), b = read(R.b), turn = read(R.turn), off = read(R.off);
    let rest = 0, first = 0;
    for (let g = 0; g < G.n; g++) {
      if (!G.count[g]) continue;
      const from = G.start[g], to = G.start[g + 1];
      for (let d = 0; d < 2; d++) {
        const v = d ? y : x, p = at[d][first], pa = p + a[d][first], pb = p + b[d][first];
        v[4 * from] = p; v[4 * from + 1] = pa; v[4 * from + 2] = pa + b[d][first] + turn[d][first]; v[4 * from + 3] = pb;
        let k = rest;
        for (let i = 4 * from + 4; i < 4 * to; i += 4, k++) {
          const c0 = v[i - 3] + off[d][k], c3 = v[i - 2] + off[6 + d][k];
          v[i] = c0; v[i + 3] = c3;
          v[i + 1] = c0 + v[i - 3] - v[i - 4] + off[2 + d][k];
          v[i + 2] = c3 + v[i - 2] - v[i - 1] + off[4 + d][k];
        }
      }
      group.fill(g, from, to);
      rest += to - from - 1;
      first++;
    }
    const odd = new Map(), oddLayer = { n: told.odd.n, kind: "area" };
    integers(told.odd).forEach((i, k) => odd.set(i, k));
    placeLayer(oddLayer, told.odd_places, integers);
    return { n, x, y, group, odd, oddLayer, space: numbered(told.space), kind: integers(told.kind), kindWords: told.kind_words,
      heads: integers(told.heads), headWords: told.head_words.map((text) => { const [side, azimuth] = text.split("|"); return { side, azimuth: azimuth === "" ? NaN : Number(azimuth) }; }), renamed: renames(told) };
  })();
  /* Boxes of the groups carry the index: the spaces of a group lie together. */
  (() => {
    const box = G.box = new Int32Array(4 * G.n), placed = G.placed = new Uint8Array(G.n);
    let [x0, y0, x1, y1] = [Infinity, Infinity, -Infinity, -Infinity];
    const lots = [], widths = [], lengths = [];
    for (let g = 0; g < G.n; g++) {
      let [a, b, c, d] = [2147483647, 2147483647, -2147483648, -2147483648];
      const from = 4 * G.start[g], to = 4 * G.start[g + 1], o = 4 * g;
      // Of a plain lot the first and the last space reach farthest.
      for (let p = from; p < to; p++) {
        if (p === from + 4 && G.plain[g] && to - from > 8) p = to - 4;
        const x = S.x[p], y = S.y[p];
        if (x < a) a = x; if (x > c) c = x; if (y < b) b = y; if (y > d) d = y;
      }
      if (G.outlines.placed[g]) {
        const w = G.outlines.box;
        a = Math.min(a, w[o]); b = Math.min(b, w[o + 1]); c = Math.max(c, w[o + 2]); d = Math.max(d, w[o + 3]);
      }
      if (a > c) continue;
      box[o] = a; box[o + 1] = b; box[o + 2] = c; box[o + 3] = d;
      placed[g] = 1;
      if (a < x0) x0 = a; if (b < y0) y0 = b; if (c > x1) x1 = c; if (d > y1) y1 = d;
      if (g % 17 === 0 || G.n < 500) { if (G.isLot[g]) lots.push(Math.min(c - a, d - b)); if (G.count[g]) { const s = sides(G.start[g]); widths.push(s.wide); lengths.push(s.long); } }
    }
    const mid = (list) => list.sort((p, q) => p - q)[list.length >> 1] || 0;
    G.wide = mid(widths); G.long = mid(lengths); G.side = mid(lots) || 4 * G.wide;
    G.index = makeIndex(G, x0, y0, x1, y1);
  })();
  function sides(i) {
    const p = 4 * i, u = Math.hypot(S.x[p + 1] - S.x[p], S.y[p + 1] - S.y[p]), v = Math.hypot(S.x[p + 3] - S.x[p], S.y[p + 3] - S.y[p]);
    return { wide: Math.min(u, v), long: Math.max(u, v) };
  }
  const centre = (i) => { const p = 4 * i; return [(S.x[p] + S.x[p + 1] + S.x[p + 2] + S.x[p + 3]) / 4, (S.y[p] + S.y[p + 1] + S.y[p + 2] + S.y[p + 3]) / 4]; };
  function spacePath(ctx, i, s, ox, oy) {
    if (S.odd.has(i)) { trace(ctx, S.oddLayer, S.odd.get(i), s, ox, oy, true); return; }
    const p = 4 * i;
    ctx.moveTo((S.x[p] - ox) * s, (S.y[p] - oy) * s);
    for (let k = p + 1; k < p + 4; k++) ctx.lineTo((S.x[k] - ox) * s, (S.y[k] - oy) * s);
    ctx.closePath();
  }
  /* Corners of a lot: its own outline, or from the back of its first space to the front of its last. */
  function groupRing(g) {
    if (G.plain[g]) {
      const p = 4 * G.start[g], q = 4 * G.start[g + 1] - 4;
      return [[S.x[p], S.y[p]], [S.x[q + 1], S.y[q + 1]], [S.x[q + 2], S.y[q + 2]], [S.x[p + 3], S.y[p + 3]]];
    }
    const o = G.outlines, out = [];
    if (o.placed[g]) for (let p = o.pointOf[o.ringOf[g]]; p < o.pointOf[o.ringOf[g] + 1]; p++) out.push([o.x[p], o.y[p]]);
    return out;
  }
  function groupPath(ctx, g, s, ox, oy) {
    if (!G.plain[g]) { if (G.outlines.placed[g]) trace(ctx, G.outlines, g, s, ox, oy, true); return; }
    const p = 4 * G.start[g], q = 4 * G.start[g + 1] - 4;
    ctx.moveTo((S.x[p] - ox) * s, (S.y[p] - oy) * s);
    ctx.lineTo((S.x[q + 1] - ox) * s, (S.y[q + 1] - oy) * s);
    ctx.lineTo((S.x[q + 2] - ox) * s, (S.y[q + 2] - oy) * s);
    ctx.lineTo((S.x[p + 3] - ox) * s, (S.y[p + 3] - oy) * s);
    ctx.closePath();
  }

  // ---- people --------------------------------------------------------------------------------------------------------
  const P = (() => {
    const told = header.graves, n = told.n, names = {}, at = integers(told.at);
    for (const [role, spec] of Object.entries(told.names)) names[role] = integers(spec);
    const D = told.dates, born = D.born.map(integers), died = D.died.map(integers), after = integers(D.after), rest = D.buried.map(integers);
    const special = told.special, apart = new Map();
    for (let g = 0, k = 0; g < n; g++) if (after[g] === 62) apart.set(g, k++);
    /* Year and month-and-day of a burial: told by itself, or so many days after the death. */
    function buried(g) {
      const days = after[g];
      if (!days) return [0, 0];
      if (days === 62) return [rest[0][apart.get(g)], rest[1][apart.get(g)]];
      const date = new Date(Date.UTC(2000, 0, 1)), month = died[1][g] >> 5, day = died[1][g] & 31;
      date.setUTCFullYear(died[0][g], month - 1, day + days - 1);
      return [date.getUTCFullYear(), 32 * (date.getUTCMonth() + 1) + date.getUTCDate()];
    }
    const dates = (g, name) => (name === "buried" ? buried(g) : name === "died" ? [died[0][g], died[1][g]] : [born[0][g], born[1][g]]);
    /* First and last year of each date, made when a year is first asked for. */
    let spans = null;
    function makeSpans() {
      spans = {};
      for (const name of ["born", "died", "buried"]) {
        const from = spans[name] = new Int16Array(n).fill(32767), to = spans[`${name}_to`] = new Int16Array(n).fill(-32768);
        const years = name === "born" ? born[0] : name === "died" ? died[0] : null;
        for (let g = 0; g < n; g++) {
          const days = after[g], y = years ? years[g] : !days ? 0 : days < 62 ? died[0][g] + (died[1][g] + days > 32 * 12 + 32 ? 1 : 0) : rest[0][apart.get(g)];
          if (!y) continue;
          if (y < 20000) { from[g] = to[g] = y; continue; }
          const [, low, high] = special[y - 20000];
          if (low === null && high === null) continue;
          from[g] = low === null ? -32768 : low; to[g] = high === null ? 32767 : high;
        }
      }
      return spans;
    }
    let placed = n;
    while (placed && !at[placed - 1]) placed--;
    return { n, at, placed, names, phrases: told.words, born, died, dates, special, get spans() { return spans || makeSpans(); }, veteran: told.veteran ? integers(told.veteran) : null };
  })();
  const part = (g, role) => { const codes = P.names[role]; return codes && codes[g] ? P.phrases[codes[g] - 1] : ""; };
  function nameOf(g) {
    const parts = ["title", "given", "middle", "surname", "suffix"].map((role) => part(g, role)).filter(Boolean).join(" ");
    return parts || part(g, "written") || SAY.nameUnknown;
  }
  function listName(g) {
    const rest = ["title", "given", "middle", "suffix"].map((role) => part(g, role)).filter(Boolean).join(" "), surname = part(g, "surname");
    return surname ? (rest ? `${surname}, ${rest}` : surname) : nameOf(g);
  }
  function dateOf(g, name) {
    const [y, m] = P.dates(g, name);
    if (!y) return "";
    if (y >= 20000) return P.special[y - 20000][0];
    const month = m >> 5, day = m & 31;
    return [day || "", month ? SAY.months[month - 1] : "", y].filter(Boolean).join(" ");
  }
  const yearOf = (g, name) => { const [y] = P.dates(g, name); return !y ? "" : y >= 20000 ? P.special[y - 20000][0] : String(y); };
  function lifeOf(g) {
    const born = yearOf(g, "born"), died = yearOf(g, "died"), buried = yearOf(g, "buried");
    if (born && died) return `${born} – ${died}`;
    if (died) return `† ${died}`.replace("†", SAY.died.toLowerCase());
    if (buried) return `${SAY.buried.toLowerCase()} ${buried}${born ? `, ${SAY.born.toLowerCase()} ${born}` : ""}`;
    return born ? `${SAY.born.toLowerCase()} ${born}` : SAY.noDates;
  }

  // ---- places: 0 none, then spaces, niches and other places, lots and rows, sections --------------------------------
  const O = header.others, nOthers = (O.space_id || []).length;
  const FIRST_OTHER = 1 + S.n, FIRST_GROUP = FIRST_OTHER + nOthers, FIRST_SECTION = FIRST_GROUP + G.n;
  const kindOf = (place) => (!place ? "none" : place < FIRST_OTHER ? "space" : place < FIRST_GROUP ? "other" : place < FIRST_SECTION ? "group" : "section");
  const spacePlace = (i) => i + 1, groupPlace = (g) => FIRST_GROUP + g;
  /* The first lot of a number bears all its graves, however many parts it is packed in. */
  const sectionOfGroup = (g) => (G.section[g] >= 0 ? sectionNames[G.section[g]] : "");
  const rowOfGroup = (g) => (G.row[g] ? G.rowWords[G.row[g] - 1] : "");
  const groupId = (g) => G.renamed.get(g) || (G.isLot[g] ? `${sectionOfGroup(g)}-${G.lot(g)}` : `${sectionOfGroup(g)}-${rowOfGroup(g)}`);
  const spaceId = (i) => S.renamed.get(i) || `${groupId(S.group[i])}-${S.space(i)}`;
  function placeId(place) {
    const kind = kindOf(place);
    return kind === "space" ? spaceId(place - 1) : kind === "other" ? O.space_id[place - FIRST_OTHER] : kind === "group" ? groupId(place - FIRST_GROUP) : kind === "section" ? sectionNames[place - FIRST_SECTION] : "-";
  }
  function sectionOf(place) {
    const kind = kindOf(place);
    if (kind === "space") return G.section[S.group[place - 1]];
    if (kind === "other") return sectionNames.indexOf(O.section[place - FIRST_OTHER]);
    if (kind === "group") return G.section[place - FIRST_GROUP];
    return kind === "section" ? place - FIRST_SECTION : -1;
  }
  const sectionWords = (k) => (k < 0 ? "" : SAY.section(sectionNames[k], sectionRow[k] >= 0 ? sections.text("title", sectionRow[k]) : ""));
  function groupWords(g) {
    const row = rowOfGroup(g);
    return [row && SAY.row(row), G.isLot[g] && SAY.lot(G.lot(g))];
  }
  function placeWords(place, short) {
    const kind = kindOf(place), parts = [sectionWords(sectionOf(place))];
    if (kind === "none") return SAY.nowhere;
    if (kind === "space") { const i = place - 1, g = S.group[i]; parts.push(...groupWords(g), G.isLot[g] ? SAY.space(S.space(i)) : SAY.grave(S.space(i))); }
    if (kind === "group") parts.push(...groupWords(place - FIRST_GROUP));
    if (kind === "other") { const k = place - FIRST_OTHER, o = {}; for (const name of Object.keys(O)) o[name] = O[name][k]; const said = SAY.niche(o).filter(Boolean); parts.push(...(said.length ? said : [SAY.placeOnly(o.space_id)])); }
    return parts.slice(short ? 1 : 0).filter(Boolean).join(", ");
  }
  /* Rows of the graves at a place; they are packed in the order of places. */
  function gravesAt(from, to = from) {
    const edge = (value) => { let low = 0, high = P.placed; while (low < high) { const m = (low + high) >> 1; if (P.at[m] < value) low = m + 1; else high = m; } return low; };
    const out = [];
    if (from > 0) for (let g = edge(from); g < P.placed && P.at[g] <= to; g++) out.push(g);
    return out;
  }
  const gravesInGroup = (g) => [...gravesAt(spacePlace(G.start[g]), spacePlace(G.start[g + 1] - 1)), ...gravesAt(groupPlace(g))];
  const used = new Uint8Array(S.n);
  for (let g = 0; g < P.placed; g++) if (P.at[g] < FIRST_OTHER) used[P.at[g] - 1] = 1;
  /* Page coordinates of a place, or null. */
  function spot(place) {
    const kind = kindOf(place);
    if (kind === "space") return centre(place - 1);
    if (kind === "group") { const g = place - FIRST_GROUP; return G.placed[g] ? middle(G, g) : null; }
    if (kind === "section") { const k = sectionRow[place - FIRST_SECTION]; return k >= 0 && sections.placed[k] ? middle(sections, k) : null; }
    return null;
  }
  function findPlace(id) {
    for (const [i, name] of S.renamed) if (name === id) return spacePlace(i);
    const other = (O.space_id || []).indexOf(id);
    if (other >= 0) return FIRST_OTHER + other;
    for (let g = 0; g < G.n; g++) {
      const name = groupId(g);
      if (!id.startsWith(name)) continue;
      if (id === name) return groupPlace(g);
      if (id[name.length] !== "-") continue;
      const wanted = id.slice(name.length + 1);
      for (let i = G.start[g]; i < G.start[g + 1]; i++) if (!S.renamed.has(i) && S.space(i) === wanted) return spacePlace(i);
    }
    const section = sectionNames.indexOf(id);
    return section >= 0 ? FIRST_SECTION + section : 0;
  }

  // ---- search --------------------------------------------------------------------------------------------------------
  const finder = cemgisSearch.makeSearch(header.letters, P);
  const fold = finder.fold;
  const plainPart = (text) => fold(text).replace(/ /g, "").replace(/^0+(?=\d)/, "");
  const foldedSections = sectionNames.map(plainPart);
  /* Places a question names: a section, a lot or row, a space; blanks, dashes, leading noughts do not matter. */
  function searchPlaces(asked) {
    const parts = asked.replace(/([A-Za-z])(\d)/g, "$1 $2").split(/[\s\-–,.\/]+/).map(plainPart).filter((word) => word && !/^(section|sec|lot|space|sp|grave|gr|row|no)$/.test(word));
    if (!parts.length || parts.length > 6) return [];
    const out = [];
    for (let take = 1; take <= parts.length && take < 4; take++) {
      const wanted = parts.slice(0, take).join(""), rest = parts.slice(take);
      foldedSections.forEach((section, k) => {
        if (section !== wanted) return;
        if (!rest.length) { out.push(FIRST_SECTION + k); return; }
        for (let g = 0; g < G.n && out.length < 12; g++) {
          if (G.section[g] !== k || plainPart(G.isLot[g] ? G.lot(g) : rowOfGroup(g)) !== rest[0]) continue;
          if (rest.length === 1) { if (G.isLot[g] || g === 0 || G.row[g - 1] !== G.row[g]) out.push(groupPlace(g)); }
          else for (let i = G.start[g]; i < G.start[g + 1]; i++) if (plainPart(S.space(i)) === rest[1]) out.push(spacePlace(i));
        }
      });
    }
    (O.space_id || []).forEach((id, k) => { if (out.length < 12 && plainPart(id) === parts.join("")) out.push(FIRST_OTHER + k); });
    return out;
  }

  // ---- ways ----------------------------------------------------------------------------------------------------------
  const W = (() => { const told = header.ways, out = {}; for (const name of Object.keys(told)) out[name] = integers(told[name]); return out; })();
  const perUnit = ground.grid.per_unit, metre = perUnit / facts.metres;
  const lineOf = new Map();
  for (let k = 0; k < W.a.length; k++) { lineOf.set(`${W.a[k]},${W.b[k]}`, k); lineOf.set(`${W.b[k]},${W.a[k]}`, k); }
  const azimuth = (dx, dy) => (Math.atan2(dx, -dy) * 180 / Math.PI + 360) % 360;
  const sideOf = (degrees) => SAY.sides[Math.round(degrees / 45) % 8];
  function far(length, withSteps) {
    const units = length / perUnit, unit = facts.suffix;
    const rounded = units < 100 ? Math.max(1, units < 20 ? Math.round(units) : Math.round(units / 5) * 5) : Math.round(units / 10) * 10;
    const said = `${grouped(rounded)} ${unit}`;
    return withSteps ? `${said} (${SAY.steps(Math.max(1, Math.round(length / metre / STEP_M)))})` : said;
  }
  const driveWords = (k) => (k >= 0 && drives.text("name", k)) || SAY.drive;
  function crossing(ax, ay, bx, by) {
    for (const i of obstacles.index.query(Math.min(ax, bx), Math.min(ay, by), Math.max(ax, bx), Math.max(ay, by))) {
      const kind = obstacles.text("kind", i);
      if (!BARRIER.test(kind)) continue;
      const steps = Math.max(4, Math.ceil(Math.hypot(bx - ax, by - ay) / (0.25 * metre)));
      for (let k = 0; k <= steps; k++) if (inside(obstacles, i, ax + (bx - ax) * k / steps, ay + (by - ay) * k / steps)) return kind;
    }
    return "";
  }
  /* Lots between a place beside the drive and the one sought, in the order they are passed. */
  function passed(ax, ay, bx, by, own) {
    const seen = [], steps = Math.ceil(Math.hypot(bx - ax, by - ay) / (0.3 * metre));
    for (let k = 1; k < steps; k++) {
      const x = ax + (bx - ax) * k / steps, y = ay + (by - ay) * k / steps;
      for (const g of G.index.query(x, y, x, y)) if (G.isLot[g] && g !== own && !seen.includes(g) && within(groupRing(g), x, y)) seen.push(g);
    }
    return seen.length;
  }
  function within(ring, x, y) {
    let odd = false;
    for (let p = 0, q = ring.length - 1; p < ring.length; q = p++) {
      const [xp, yp] = ring[p], [xq, yq] = ring[q];
      if (yp > y !== yq > y && x < (xq - xp) * (y - yp) / (yq - yp) + xp) odd = !odd;
    }
    return odd;
  }
  /* The way to a place: words, the line to draw, its length. */
  function wayTo(place) {
    const at = spot(place);
    if (!at || kindOf(place) === "section") return null;
    const [x, y] = at, own = kindOf(place) === "space" ? S.group[place - 1] : place - FIRST_GROUP;
    const feet = [];
    for (let k = 0; k < W.a.length; k++) {
      const ax = W.x[W.a[k]], ay = W.y[W.a[k]], dx = W.x[W.b[k]] - ax, dy = W.y[W.b[k]] - ay, l = dx * dx + dy * dy;
      const t = l ? Math.max(0, Math.min(1, ((x - ax) * dx + (y - ay) * dy) / l)) : 0;
      const px = ax + t * dx, py = ay + t * dy;
      feet.push({ k, px, py, off: Math.hypot(x - px, y - py), reached: W.far[W.a[k]] >= 0 });
    }
    if (!feet.length) return { steps: [], notes: [SAY.noDrives], line: [] };
    const reachable = feet.some((foot) => foot.reached);
    const cost = (foot) => foot.off + (reachable && !foot.reached ? 1e12 : 0) + (foot.reached ? 0.02 * lead(foot).long : 0);
    function lead(foot) {
      const ends = [W.a[foot.k], W.b[foot.k]].map((node) => ({ node, long: W.far[node] / 10 * perUnit + Math.hypot(W.x[node] - foot.px, W.y[node] - foot.py) }));
      return ends[0].long <= ends[1].long ? ends[0] : ends[1];
    }
    feet.sort((p, q) => cost(p) - cost(q));
    const near = feet.filter((foot) => foot.off <= 3 * feet[0].off + 10 * metre && foot.reached === feet[0].reached).slice(0, 40);
    const foot = near.find((one) => !crossing(one.px, one.py, x, y)) || feet[0];
    const barrier = crossing(foot.px, foot.py, x, y), notes = [];
    // A drive beyond the gates' reach may lie much nearer; it is named, not followed.
    const nearer = foot.reached ? feet.reduce((best, one) => (!one.reached && one.off < (best ? best.off : 0.6 * foot.off) ? one : best), null) : null;
    const lots = passed(foot.px, foot.py, x, y, own), past = SAY.past(lots);
    const walk = azimuth(x - foot.px, y - foot.py), end = edgeOf(place, foot.px, foot.py, x, y);
    if (barrier) notes.push(SAY.barrier(barrier));
    if (nearer) notes.push(SAY.nearer(driveWords(W.drive[nearer.k]), far(nearer.off), sideOf(azimuth(nearer.px - x, nearer.py - y))));
    if (!foot.reached) {
      notes.unshift(gates.n ? SAY.notJoined : SAY.noGate);
      return { steps: [SAY.fromDrive(driveWords(W.drive[foot.k]), sideOf(walk), far(foot.off, true), past)], notes, line: [[foot.px, foot.py], end], total: foot.off, fromGate: false };
    }
    const chain = [];
    for (let node = lead(foot).node; node >= 0; node = W.parent[node]) chain.unshift(node);
    const points = chain.map((node) => [W.x[node], W.y[node]]);
    const legDrive = chain.slice(1).map((node, k) => W.drive[lineOf.get(`${chain[k]},${node}`)]);
    points.push([foot.px, foot.py]); legDrive.push(W.drive[foot.k]);
    const legs = merged(points, legDrive);
    const gate = W.gate[chain[0]], gateWords = gate >= 0 && header.gates.names[gate] ? header.gates.names[gate] : SAY.gate;
    const steps = legs.map((leg, k) => {
      const side = sideOf(leg.azimuth);
      if (!k) return SAY.fromGate(gateWords, side, driveWords(leg.drive), far(leg.long, true));
      const turn = (leg.azimuth - legs[k - 1].out + 540) % 360 - 180, same = driveWords(leg.drive) === driveWords(legs[k - 1].drive);
      const hand = Math.abs(turn) < 35 ? "on" : turn > 0 ? (same ? "keepright" : "right") : (same ? "keepleft" : "left");
      return SAY.turn(SAY.hands[hand], side, driveWords(leg.drive), far(leg.long, true));
    });
    const last = legs.length ? (walk - legs[legs.length - 1].out + 540) % 360 - 180 : 0;
    steps.push(SAY.leave(SAY.leaveHands[Math.abs(last) < 35 ? "on" : last > 0 ? "right" : "left"], sideOf(walk), far(foot.off, true), past));
    const total = lead(foot).long + foot.off;
    return { steps, notes, line: [...points, end], total, fromGate: true };
  }
  /* Where a line from outside meets the rim of a place. */
  function edgeOf(place, ax, ay, x, y) {
    const ring = ringOf(place);
    let low = 0, high = 1;
    for (let k = 0; k < 20; k++) { const t = (low + high) / 2; if (within(ring, ax + t * (x - ax), ay + t * (y - ay))) high = t; else low = t; }
    return [ax + high * (x - ax), ay + high * (y - ay)];
  }
  /* Straight stretches of a line, one for each name and direction; short ones go with the one before. */
  function merged(points, drive) {
    const legs = [];
    for (let k = 0; k + 1 < points.length; k++) {
      const dx = points[k + 1][0] - points[k][0], dy = points[k + 1][1] - points[k][1], long = Math.hypot(dx, dy);
      if (long < 0.1 * metre) continue;
      const way = azimuth(dx, dy), before = legs[legs.length - 1];
      const turn = before ? Math.abs((way - before.out + 540) % 360 - 180) : 0;
      const same = before && driveWords(before.drive) === driveWords(drive[k]);
      // Half the width of a drive is lost in its crossings: what is shorter is no stretch of its own.
      if (before && (long < 5 * metre || before.long < 5 * metre && same || same && turn < 50)) {
        before.long += long;
        if (long >= 5 * metre) { before.out = way; if (before.soft) { before.azimuth = way; before.drive = drive[k]; before.soft = false; } }
      } else if (before && before.long < 5 * metre) { before.long += long; before.azimuth = before.out = way; before.drive = drive[k]; before.soft = false; }
      else legs.push({ long, azimuth: way, out: way, drive: drive[k], soft: long < 5 * metre });
    }
    return legs;
  }
  /* How far in from the edges of its section a place lies. */
  function fromEdges(place) {
    const at = spot(place), k = sectionRow[sectionOf(place)];
    if (!at || k === undefined || k < 0 || !sections.placed[k]) return "";
    const o = 4 * k, [x, y] = at, box = sections.box;
    const [n, s, w, e] = [y - box[o + 1], box[o + 3] - y, x - box[o], box[o + 2] - x];
    const up = n <= s ? SAY.edge(SAY.sides[0], far(n, true), SAY.sides[4]) : SAY.edge(SAY.sides[4], far(s, true), SAY.sides[0]);
    const across = w <= e ? SAY.edge(SAY.sides[6], far(w, true), SAY.sides[2]) : SAY.edge(SAY.sides[2], far(e, true), SAY.sides[6]);
    return SAY.fromEdges(up, across);
  }

  // ---- drawing -------------------------------------------------------------------------------------------------------
  const options = { picture: false, bitmap: null };
  function headOf(i) { const h = S.heads[i]; return h ? S.headWords[h - 1] : { side: "", azimuth: NaN }; }
  function* paint(ctx, _, view) {
    const { s, ox, oy, size } = view, high = view.high || size;
    const x1 = ox + size / s, y1 = oy + high / s, pad = 40 / s;
    const lotPx = G.side * s, widePx = G.wide * s, longPx = G.long * s;
    ctx.fillStyle = LOOK.paper; ctx.fillRect(0, 0, size, high);
    ctx.lineJoin = "round";
    const see = options.picture && options.bitmap;
    if (see) {
      const [a, b, c] = header.picture.corners, w = options.bitmap.width, h = options.bitmap.height;
      ctx.save();
      ctx.transform((b[0] - a[0]) * s / w, (b[1] - a[1]) * s / w, (c[0] - a[0]) * s / h, (c[1] - a[1]) * s / h, (a[0] - ox) * s, (a[1] - oy) * s);
      ctx.drawImage(options.bitmap, 0, 0);
      ctx.restore();
    }
    const areas = (told, fill, line, wide, pick) => {
      ctx.beginPath();
      for (const i of told.index.query(ox - pad, oy - pad, x1 + pad, y1 + pad)) if (!pick || pick(i)) trace(ctx, told, i, s, ox, oy, true);
      if (fill && !see) { ctx.fillStyle = fill; ctx.fill("nonzero"); }
      if (line) { ctx.strokeStyle = line; ctx.lineWidth = wide; ctx.stroke(); }
    };
    areas(sections, LOOK.land, LOOK.landLine, 1.4);
    areas(drives, LOOK.drive, LOOK.driveLine, 0.8);
    yield;
    areas(obstacles, LOOK.tree, LOOK.treeLine, 1, (i) => TREE.test(obstacles.text("kind", i)));
    areas(obstacles, LOOK.thing, LOOK.thingLine, 1.2, (i) => !TREE.test(obstacles.text("kind", i)));
    yield;
    const groups = lotPx >= 4 || widePx >= 4 ? G.index.query(ox - pad, oy - pad, x1 + pad, y1 + pad) : [];
    if (groups.length) {
      const each = widePx >= 5;
      for (let from = 0; from < groups.length; from += each ? 60 : 250) {
        const some = groups.slice(from, from + (each ? 60 : 250));
        if (each) {
          ctx.beginPath();
          for (const g of some) for (let i = G.start[g]; i < G.start[g + 1]; i++) spacePath(ctx, i, s, ox, oy);
          if (!see) { ctx.fillStyle = LOOK.spaceFill; ctx.fill(); }
          ctx.strokeStyle = LOOK.space; ctx.lineWidth = Math.min(1, widePx / 14); ctx.stroke();
        }
        if (lotPx >= 4) {
          ctx.beginPath();
          for (const g of some) if (G.isLot[g]) groupPath(ctx, g, s, ox, oy);
          if (!each && !see) { ctx.fillStyle = LOOK.spaceFill; ctx.fill(); }
          ctx.strokeStyle = LOOK.lot; ctx.lineWidth = lotPx > 24 ? 1.2 : 0.6; ctx.stroke();
        }
        yield;
      }
      if (widePx >= 6) { areas(monuments, LOOK.monument, "", 0); yield; }
      if (widePx >= 4 && !(widePx >= 17 && longPx >= 70)) {
        for (let from = 0; from < groups.length; from += 120) {
          ctx.beginPath();
          for (const g of groups.slice(from, from + 120)) for (let i = G.start[g]; i < G.start[g + 1]; i++) if (used[i]) bar(ctx, i, s, ox, oy);
          ctx.fillStyle = LOOK.stone; ctx.fill();
          yield;
        }
      }
    }
    yield* labels(ctx, groups, { s, ox, oy, x1, y1, size, lotPx, widePx, longPx });
    ctx.font = "700 13px system-ui, sans-serif"; ctx.textAlign = "center"; ctx.textBaseline = "middle";
    for (const i of gates.index.query(ox - 80 / s, oy - 80 / s, x1 + 80 / s, y1 + 80 / s)) {
      const [mx, my] = middle(gates, i), x = (mx - ox) * s, y = (my - oy) * s;
      ctx.fillStyle = LOOK.gate;
      ctx.fillRect(x - 9, y - 8, 5, 16); ctx.fillRect(x + 4, y - 8, 5, 16);
      ctx.strokeStyle = LOOK.gate; ctx.lineWidth = 2; ctx.beginPath(); ctx.arc(x, y - 6, 6.5, Math.PI, 0); ctx.stroke();
      halo(ctx, header.gates.names[i] || SAY.gate, x, y + 18, 0, LOOK.gate);
    }
  }
  /* A grave that is published: a short bar in the middle, along the longer side. It says nothing of heads or stones. */
  function bar(ctx, i, s, ox, oy) {
    const [mx, my] = centre(i), p = 4 * i, { wide, long } = sides(i);
    const u = Math.hypot(S.x[p + 1] - S.x[p], S.y[p + 1] - S.y[p]) === long ? p + 1 : p + 3;
    const dx = (S.x[u] - S.x[p]) / long, dy = (S.y[u] - S.y[p]) / long;
    const half = Math.max(1, wide * s * 0.15), reach = long * s * 0.22, x = (mx - ox) * s, y = (my - oy) * s;
    ctx.moveTo(x - dx * reach - dy * half, y - dy * reach + dx * half);
    ctx.lineTo(x + dx * reach - dy * half, y + dy * reach + dx * half);
    ctx.lineTo(x + dx * reach + dy * half, y + dy * reach - dx * half);
    ctx.lineTo(x - dx * reach + dy * half, y - dy * reach - dx * half);
    ctx.closePath();
  }
  function* labels(ctx, groups, { s, ox, oy, x1, y1, lotPx, widePx, longPx }) {
    ctx.textAlign = "center"; ctx.textBaseline = "middle";
    const cut = (text, px, room) => { const most = Math.floor(room / (px * 0.56)); return most < 3 ? "" : text.length > most ? `${text.slice(0, most - 1)}…` : text; };
    if (widePx >= 17) {
      const px = Math.min(14, Math.max(9, widePx * 0.4));
      for (let k = 0; k < groups.length; k++) {
        const g = groups[k];
        for (let i = G.start[g]; i < G.start[g + 1]; i++) {
          const p = 4 * i, [mx, my] = centre(i), { wide, long } = sides(i);
          const u = Math.hypot(S.x[p + 1] - S.x[p], S.y[p + 1] - S.y[p]) === long ? p + 1 : p + 3;
          let angle = Math.atan2(S.y[u] - S.y[p], S.x[u] - S.x[p]);
          angle = (((angle + 1.745) % Math.PI) + Math.PI) % Math.PI - 1.745;
          const x = (mx - ox) * s, y = (my - oy) * s, back = long * s * 0.43;
          ctx.font = `400 ${Math.min(px, 11)}px system-ui, sans-serif`;
          halo(ctx, S.space(i), x - Math.cos(angle) * back, y - Math.sin(angle) * back, 0, "#6b6150", 2);
          if (used[i] && longPx >= 70) {
            const here = gravesAt(spacePlace(i)), name = here.length ? part(here[0], "surname") || nameOf(here[0]) : "";
            ctx.font = `600 ${px}px Georgia, "Liberation Serif", serif`;
            if (name) halo(ctx, cut(here.length > 1 ? `${name} +${here.length - 1}` : name, px, long * s * 0.62), x, y, angle, LOOK.ink, 3);
          }
        }
        if (k % 12 === 11) yield;
      }
    }
    if (widePx >= 26) {
      // Near by, the spaces fill the lot with numbers and names: its own number stands at its end, on the free side.
      ctx.font = "700 14px system-ui, sans-serif";
      for (let k = 0; k < groups.length; k++) {
        const g = groups[k];
        if (!G.isLot[g] || !G.count[g]) continue;
        const [mx, my] = middle(G, g), { long } = sides(G.start[g]), p = 4 * G.start[g];
        const u = Math.hypot(S.x[p + 1] - S.x[p], S.y[p + 1] - S.y[p]) === long ? p + 1 : p + 3;
        const dx = (S.x[u] - S.x[p]) / long, dy = (S.y[u] - S.y[p]) / long, reach = long / 2 + 16 / s, said = SAY.lot(G.lot(g)).slice(0, 16);
        const free = [1, -1].find((way) => !G.index.query(mx + way * dx * reach, my + way * dy * reach, mx + way * dx * reach, my + way * dy * reach).length);
        const way = free || 1, off = free ? reach : long / 2;
        let angle = Math.atan2(dx, -dy);
        angle = (((angle + 1.745) % Math.PI) + Math.PI) % Math.PI - 1.745;
        halo(ctx, said, (mx + way * dx * off - ox) * s, (my + way * dy * off - oy) * s, angle, "#5a4f3d", 3);
        if (k % 60 === 59) yield;
      }
    }
    if (lotPx >= 20 && widePx < 26) {
      ctx.font = `700 ${Math.max(10, Math.min(16, lotPx * 0.34))}px system-ui, sans-serif`;
      for (let k = 0; k < groups.length; k++) {
        const g = groups[k];
        if (!G.isLot[g] || !G.placed[g]) continue;
        const [mx, my] = middle(G, g), said = G.lot(g);
        if (said && said.length < 8) halo(ctx, said, (mx - ox) * s, (my - oy) * s, 0, "#5a4f3d", 3);
        if (k % 100 === 99) yield;
      }
    }
    for (const i of sections.index.query(ox - 200 / s, oy - 60 / s, x1 + 200 / s, y1 + 60 / s)) {
      const w = (sections.box[4 * i + 2] - sections.box[4 * i]) * s, h = (sections.box[4 * i + 3] - sections.box[4 * i + 1]) * s;
      if (w < 16 || h < 12) continue;
      const [mx, my] = middle(sections, i), x = (mx - ox) * s, name = sections.text("section", i), title = sections.text("title", i);
      const over = lotPx >= 20, y = over ? (sections.box[4 * i + 1] - oy) * s - 12 : (my - oy) * s;
      ctx.font = `700 ${over ? 15 : Math.min(26, Math.max(13, h / 5))}px Georgia, "Liberation Serif", serif`;
      halo(ctx, over && title ? `${name} · ${title}`.slice(0, 40) : name.slice(0, 24), x, y, 0, "#4a4030", 4);
      if (!over && title && title !== name && w > title.length * 7 && h > 46) { ctx.font = `italic 400 13px Georgia, "Liberation Serif", serif`; halo(ctx, title.slice(0, 40), x, y + Math.min(26, h / 5), 0, "#4a4030", 3); }
      yield;
    }
    if (lotPx >= 7) {
      ctx.font = `italic 400 ${widePx >= 17 ? 16 : 12}px Georgia, "Liberation Serif", serif`;
      for (let k = 0; k < W.a.length; k++) {
        const name = drives.text("name", W.drive[k]), ax = W.x[W.a[k]], ay = W.y[W.a[k]], bx = W.x[W.b[k]], by = W.y[W.b[k]];
        const long = Math.hypot(bx - ax, by - ay) * s;
        if (!name || long < 130) continue;
        let angle = Math.atan2(by - ay, bx - ax);
        angle = (((angle + 1.745) % Math.PI) + Math.PI) % Math.PI - 1.745;
        for (const t of long > 900 ? [0.2, 0.5, 0.8] : [0.5]) {
          const x = (ax + t * (bx - ax) - ox) * s, y = (ay + t * (by - ay) - oy) * s;
          if (x > -150 && y > -150 && x < (x1 - ox) * s + 150 && y < (y1 - oy) * s + 150) halo(ctx, name.slice(0, 30), x, y, angle, "#4a4030", 3);
        }
      }
    }
  }

  const map = map_ground;
  const [bx0, by0, bx1, by1] = ground.bounds;
  const whole = L.latLngBounds(toLatLng(ground, bx0, by0), toLatLng(ground, bx1, by1));
  const box = map.getContainer();
  box.setAttribute("aria-label", SAY.mapLabel);
  box.setAttribute("role", "application");
  const canvas = tiles(ground, options, paint);
  const showWhole = () => map.fitBounds(whole, { padding: [14, 14], animate: false });
  showWhole();
  canvas.addTo(map);
  map.setMaxBounds(whole.pad(1.2));
  const over = L.layerGroup().addTo(map);
  const rescale = () => scaleBar(map, ground, facts.suffix);
  map.on("zoomend resize", rescale);
  rescale();

  function ringOf(place) {
    const kind = kindOf(place);
    if (kind === "space") {
      const i = place - 1;
      if (S.odd.has(i)) { const o = S.oddLayer, k = S.odd.get(i), out = []; for (let p = o.pointOf[o.ringOf[k]]; p < o.pointOf[o.ringOf[k] + 1]; p++) out.push([o.x[p], o.y[p]]); return out; }
      return [0, 1, 2, 3].map((k) => [S.x[4 * i + k], S.y[4 * i + k]]);
    }
    if (kind === "group") { const ring = groupRing(place - FIRST_GROUP); if (ring.length) return ring; const o = 4 * (place - FIRST_GROUP), b = G.box; return [[b[o], b[o + 1]], [b[o + 2], b[o + 1]], [b[o + 2], b[o + 3]], [b[o], b[o + 3]]]; }
    if (kind === "section") { const k = sectionRow[place - FIRST_SECTION], out = []; if (k >= 0) for (let p = sections.pointOf[sections.ringOf[k]]; p < sections.pointOf[sections.ringOf[k] + 1]; p++) out.push([sections.x[p], sections.y[p]]); return out; }
    return [];
  }
  function mark(place, way) {
    over.clearLayers();
    const points = (ring) => ring.map(([x, y]) => toLatLng(ground, x, y)), ring = ringOf(place);
    if (way && way.line.length) {
      over.addLayer(L.polyline(points(way.line), { interactive: false, color: "#ffffff", weight: 8, opacity: 0.9 }));
      over.addLayer(L.polyline(points(way.line), { interactive: false, color: LOOK.way, weight: 4, dashArray: "2 7" }));
    }
    if (!ring.length) return;
    over.addLayer(L.polygon(points(ring), { interactive: false, fill: false, color: "#ffffff", weight: 9, opacity: 0.95 }));
    over.addLayer(L.polygon(points(ring), { interactive: false, fill: false, color: LOOK.chosen, weight: 4 }));
  }
  function goTo(place) {
    const ring = ringOf(place);
    if (!ring.length) return;
    const xs = ring.map((p) => p[0]), ys = ring.map((p) => p[1]), least = 11 * metre;
    const mx = (Math.min(...xs) + Math.max(...xs)) / 2, my = (Math.min(...ys) + Math.max(...ys)) / 2;
    const rx = Math.max((Math.max(...xs) - Math.min(...xs)) * 0.7, least), ry = Math.max((Math.max(...ys) - Math.min(...ys)) * 0.7, least);
    map.fitBounds(L.latLngBounds(toLatLng(ground, mx - rx, my - ry), toLatLng(ground, mx + rx, my + ry)), { animate: false, maxZoom: 24 });
  }
  function goWay(way) {
    if (way && way.line.length) map.fitBounds(L.latLngBounds(way.line.map(([x, y]) => toLatLng(ground, x, y))), { animate: false, paddingTopLeft: [70, 30], paddingBottomRight: [30, 70], maxZoom: 23 });
  }
  function spaceUnder(x, y) {
    for (const g of G.index.query(x, y, x, y)) {
      for (let i = G.start[g]; i < G.start[g + 1]; i++) {
        if (S.odd.has(i) ? inside(S.oddLayer, S.odd.get(i), x, y) : within([0, 1, 2, 3].map((k) => [S.x[4 * i + k], S.y[4 * i + k]]), x, y)) return spacePlace(i);
      }
    }
    for (const g of G.index.query(x, y, x, y)) if (G.isLot[g] && within(groupRing(g), x, y)) return groupPlace(g);
    for (const k of sections.index.query(x, y, x, y)) if (inside(sections, k, x, y)) { const name = sectionNames.indexOf(sections.text("section", k)); if (name >= 0) return FIRST_SECTION + name; }
    return 0;
  }
  const identify = (latlng) => { const place = spaceUnder(...fromLatLng(ground, latlng)); if (place) location.hash = placeHash(place); return place; };
  map.on("click", (event) => identify(event.latlng));
  box.addEventListener("keydown", (event) => {
    if (event.key === "Enter" && event.target === box) { event.preventDefault(); if (!identify(map.getCenter())) say(SAY.nothingHere); }
  });

  // ---- links ---------------------------------------------------------------------------------------------------------
  const code = (text) => encodeURIComponent(text).replaceAll("%2C", ",");
  const slug = (g) => [fold(nameOf(g)).replaceAll(" ", "-"), yearOf(g, "died") || yearOf(g, "buried")].filter(Boolean).join("-").replaceAll("/", "-").slice(0, 80);
  const placeHash = (place) => `#${code(placeId(place))}`;
  function graveHash(g) {
    const place = P.at[g], mine = slug(g);
    const same = place ? gravesAt(place).filter((other) => slug(other) === mine) : [g];
    const turn = same.indexOf(g);
    return `#${code(placeId(place))}/${code(mine)}${turn > 0 ? `~${turn + 1}` : ""}`;
  }
  function openHash() {
    let text = "";
    try { text = decodeURIComponent(location.hash.slice(1)); } catch { text = location.hash.slice(1); }
    if (text === "find-box" || text === "map_ground") return;
    if (!text) { if (field.value.trim() === last) show("home"); else ask(); return; }
    if (text === "/list" || text === "/about") { show(text.slice(1)); return; }
    const cut = text.lastIndexOf("/"), id = cut < 0 ? text : text.slice(0, cut), who = cut < 0 ? "" : text.slice(cut + 1);
    const place = id === "-" ? 0 : findPlace(id);
    if (!who && place) { showPlace(place); return; }
    if (who && (place || id === "-")) {
      const [name, turn] = who.split("~"), here = place ? gravesAt(place) : [...Array(P.n - P.placed).keys()].map((k) => P.placed + k);
      const same = here.filter((g) => slug(g) === name), g = same[turn ? Number(turn) - 1 : 0];
      if (g !== undefined) { showPerson(g); return; }
    }
    const wanted = (who || id).replaceAll("-", " ").replace(/~\d+$/, "");
    if (place && !finder.find(wanted, { limit: 1 }).total) { showPlace(place); body.place.querySelector("h2").after(make("p", { class: "hint", id: "nobody-so" }, SAY.linkNobody(wanted.slice(0, 80)))); return; }
    field.value = wanted;
    ask(SAY.linkGone(text.slice(0, 80)));
  }

  // ---- the panel -----------------------------------------------------------------------------------------------------
  const field = make("input", { type: "search", id: "find-box", autocomplete: "off", autocapitalize: "off", spellcheck: "false", enterkeyhint: "search", "aria-describedby": "find-hint", "aria-controls": "results" });
  const count = make("p", { id: "count" }), results = make("ul", { id: "results", class: "list" });
  const nav = make("nav", { "aria-label": SAY.nav });
  const pages = { home: "#", list: "#/list", about: "#/about" };
  for (const [name, hash] of Object.entries(pages)) nav.append(make("a", { href: hash, id: `go-${name}` }, SAY[name]));
  $("tools").append(
    make("form", { role: "search", onsubmit: (event) => { event.preventDefault(); const first = results.querySelector("a"); if (body.home.hidden) show("home"); else if (first) first.click(); } },
      make("label", { for: "find-box", class: "over" }, SAY.findLabel), field), nav);
  const body = {};
  for (const name of ["home", "place", "list", "about", "slip"]) { body[name] = make("div", { id: `body-${name}`, hidden: "" }); $("bodies").append(body[name]); }
  body.home.append(make("p", { class: "hint", id: "find-hint" }, SAY.findHint), count, results);

  let now = "";
  function show(name, focus) {
    const opening = !now;
    now = name;
    for (const key of Object.keys(body)) body[key].hidden = key !== name;
    for (const key of Object.keys(pages)) { if (key === name) $(`go-${key}`).setAttribute("aria-current", "page"); else $(`go-${key}`).removeAttribute("aria-current"); }
    document.body.dataset.view = name;
    document.body.classList.toggle("finding", name === "home" && results.childElementCount > 0 || name === "list" || name === "about" || name === "slip");
    if (!opening) $("bodies").scrollTop = 0;  // at the start it is at its top, and asking would lay the page out once more
    if (name === "list") makeList();
    if (name === "about") makeAbout();
    if (name !== "place" && name !== "slip") over.clearLayers();
    if (focus) { const h = body[name].querySelector("h2"); if (h) h.focus({ preventScroll: true }); }
    sized();
  }
  let resting = 0;
  function sized() { cancelAnimationFrame(resting); resting = requestAnimationFrame(() => map.invalidateSize({ animate: false })); }
  const bdi = (text, kind) => make("bdi", kind ? { class: kind } : {}, text);

  function hitLine(g, more, notes = []) {
    return make("li", {}, make("a", { href: graveHash(g) },
      make("span", { class: "name" }, bdi(nameOf(g)), part(g, "maiden") ? [" (", SAY.bornAs(part(g, "maiden")), ")"].join("") : null),
      make("span", { class: "what" }, lifeOf(g), P.veteran && P.veteran[g] ? ` · ${SAY.veteran.toLowerCase()}` : "", more ? " · " : "", more ? bdi(more) : null, ...notes.map((note) => ` · ${note}`))));
  }
  let last = "";
  function ask(note) {
    const asked = field.value.trim();
    last = asked;
    results.replaceChildren();
    if (!asked) { count.textContent = P.n ? SAY.start(SAY.count(P.n)) : SAY.noGraves; if (now !== "home") show("home"); else document.body.classList.remove("finding"); sized(); return; }
    const { hits, total } = finder.find(asked, { limit: SHOWN }), places = searchPlaces(asked);
    for (const place of places) {
      const here = kindOf(place) === "group" ? gravesInGroup(place - FIRST_GROUP).length : kindOf(place) === "section" ? -1 : gravesAt(place).length;
      results.append(make("li", {}, make("a", { href: placeHash(place) }, make("span", { class: "name" }, bdi(placeWords(place))), make("span", { class: "what" }, here >= 0 ? SAY.graves(here) : ""))));
    }
    for (const { g, named, off } of hits) results.append(hitLine(g, placeWords(P.at[g]), [named < 0.84 && SAY.similar, off > 0 && SAY.otherYear].filter(Boolean)));
    const n = total + places.length, words = n ? SAY.found(n, hits.length + places.length) : SAY.nothing;
    count.textContent = [note, note && n && SAY.nearest, words].filter(Boolean).join(" ");
    say(words);
    show("home");
  }
  let pending = 0;
  /* A link followed before the frame in which it is asked is not undone; on the way back what was typed is asked. */
  field.addEventListener("input", () => {
    cancelAnimationFrame(pending);
    if (location.hash) history.replaceState(null, "", location.pathname + location.search);
    pending = requestAnimationFrame(() => { if (!location.hash) ask(); });
  });
  field.addEventListener("focus", () => { if (now !== "home" && now !== "slip" && field.value === last && last) show("home"); });
  document.addEventListener("keydown", (event) => {
    const links = [...results.querySelectorAll("a")], k = links.indexOf(document.activeElement);
    if (event.key === "Escape") {
      event.preventDefault();
      if (document.activeElement === field && field.value) { field.value = ""; if (location.hash) history.replaceState(null, "", location.pathname + location.search); ask(); }
      field.focus(); field.select();
    } else if (event.key === "ArrowDown" && document.activeElement === field && links.length && !body.home.hidden) { event.preventDefault(); links[0].focus(); }
    else if (k >= 0) {
      const next = { ArrowDown: k + 1, ArrowUp: k - 1, Home: 0, End: links.length - 1 }[event.key];
      if (next === undefined) return;
      event.preventDefault();
      if (next < 0) field.focus(); else if (links[next]) links[next].focus();
    }
  });
  for (const link of document.querySelectorAll(".skip")) link.addEventListener("click", (event) => { event.preventDefault(); const target = $(link.getAttribute("href").slice(1)); target.focus(); });
  $("go-home").addEventListener("click", () => { setTimeout(() => field.focus(), 0); });
  window.addEventListener("hashchange", openHash);

  // ---- one person, one place -----------------------------------------------------------------------------------------
  const button = (words, act, more) => make("button", { type: "button", class: "plain", onclick: act, ...more }, words);
  const heading = (...words) => make("h2", { tabindex: "-1" }, ...words);
  function facing(place) {
    if (kindOf(place) !== "space") return "";
    return [headOf(place - 1).side ? SAY.heads(headOf(place - 1).side) : "", stoneWords(place)].filter(Boolean).join(" ");
  }
  /* At which end of a space a stone stands. */
  function stoneWords(place) {
    const ring = ringOf(place), [x, y] = spot(place), xs = ring.map((p) => p[0]), ys = ring.map((p) => p[1]), { long } = sides(place - 1);
    for (const m of monuments.index.query(Math.min(...xs), Math.min(...ys), Math.max(...xs), Math.max(...ys))) {
      const [mx, my] = middle(monuments, m);
      if (within(ring, mx, my)) return Math.hypot(mx - x, my - y) < 0.15 * long ? SAY.stoneMiddle : SAY.stone(sideOf(azimuth(mx - x, my - y)));
    }
    return "";
  }
  function whereBlock(place) {
    const kind = kindOf(place), out = make("section", { class: "where", "aria-label": SAY.where }, make("p", { class: "place" }, bdi(placeWords(place))));
    const more = [kind === "group" && G.isLot[place - FIRST_GROUP] && SAY.noSpace, kind === "section" && SAY.onlySection, facing(place), kind === "space" && SAY.kinds[S.kind[place - 1] ? S.kindWords[S.kind[place - 1] - 1] : ""], place && !spot(place) && SAY.notDrawn].filter(Boolean).join(" ");
    if (more) out.append(make("p", {}, more));
    return out;
  }
  function wayBlock(place, way) {
    const out = make("section", { class: "way" }), edges = kindOf(place) === "section" ? "" : fromEdges(place);
    if (!way && !edges) return out;
    out.append(make("h3", {}, SAY.way));
    if (way) {
      for (const note of way.notes) out.append(make("p", { class: "note" }, bdi(note)));
      if (way.steps.length) out.append(make("ol", {}, ...way.steps.map((step) => make("li", {}, bdi(step)))));
      if (way.fromGate) out.append(make("p", {}, SAY.total(far(way.total), Math.max(1, Math.round(way.total / metre / WALK_M_MIN)))));
    }
    if (edges) out.append(make("p", {}, make("b", {}, `${SAY.edges}: `), edges));
    out.append(make("p", { class: "hint" }, SAY.stepsMean));
    return out;
  }
  function position(place) {
    const at = spot(place);
    if (!at || kindOf(place) === "section") return null;
    const p = toLatLng(ground, at[0], at[1]);
    return make("p", { class: "hint" }, SAY.position(p.lat.toFixed(5), p.lng.toFixed(5), facts.crs.split(" / ")[0]));
  }
  function people(title, list, surname, more) {
    if (!list.length) return null;
    const ul = make("ul", { class: "list" });
    for (const g of list.slice(0, 60)) {
      const told = [more ? more(g) : placeWords(P.at[g], true), surname && part(g, "surname") === surname ? SAY.sameName : ""].filter(Boolean).join(" · ");
      ul.append(hitLine(g, told));
    }
    return make("section", {}, make("h3", {}, title), ul);
  }
  function around(place, own) {
    const kind = kindOf(place), out = [], surname = own === null ? "" : part(own, "surname");
    if (kind === "other") { out.push(people(SAY.here, gravesAt(place).filter((g) => g !== own), surname)); return out; }
    if (kind !== "space" && kind !== "group") { if (kind === "section" && own === null) out.push(make("p", {}, make("a", { href: "#/list", onclick: () => { listing.section = place - FIRST_SECTION; } }, SAY.listTitle))); return out; }
    const g0 = kind === "space" ? S.group[place - 1] : place - FIRST_GROUP;
    const here = kind === "space" ? gravesAt(place) : [], [x, y] = spot(place) || [0, 0];
    if (kind === "space") out.push(people(SAY.here, here.filter((g) => g !== own), surname));
    if (G.isLot[g0]) out.push(people(SAY.inLot, gravesInGroup(g0).filter((g) => g !== own && !here.includes(g)), surname));
    const near = [], from = (px, py) => sideOf(azimuth(px - x, py - y));
    if (G.isLot[g0]) {
      if (G.row[g0]) {
        const row = [];
        for (let g = 0; g < G.n; g++) if (g !== g0 && G.isLot[g] && G.section[g] === G.section[g0] && G.row[g] === G.row[g0] && G.placed[g]) { const [px, py] = middle(G, g); row.push([Math.hypot(px - x, py - y), g]); }
        row.sort((p, q) => p[0] - q[0]);
        for (const [, g] of row.slice(0, 4)) near.push(...gravesInGroup(g));
      }
      out.push(people(SAY.inRow, near, surname, (g) => { const k = P.at[g] < FIRST_OTHER ? S.group[P.at[g] - 1] : P.at[g] - FIRST_GROUP; return SAY.nextTo(SAY.lot(G.lot(k)), from(...middle(G, k))); }));
    } else if (kind === "space") {
      const i = place - 1;
      for (let k = Math.max(0, i - 5); k <= Math.min(S.n - 1, i + 5); k++) if (k !== i && G.section[S.group[k]] === G.section[g0] && G.row[S.group[k]] === G.row[g0] && !G.isLot[S.group[k]]) near.push(...gravesAt(spacePlace(k)));
      out.push(people(SAY.inRow, near, surname, (g) => SAY.nextTo(SAY.grave(S.space(P.at[g] - 1)), from(...centre(P.at[g] - 1)))));
    } else out.push(people(SAY.inRow, gravesInGroup(g0), surname));
    return out;
  }
  let open = { place: 0, grave: null, way: null };
  function tell(place, g) {
    const way = wayTo(place), panel = body.place;
    open = { place, grave: g, way };
    panel.replaceChildren();
    const back = button(SAY.back, () => { if (last) show("home"); else { history.replaceState(null, "", location.pathname + location.search); show("home"); } field.focus(); }, { id: "back" });
    panel.append(back);
    if (g !== null) {
      panel.append(heading(bdi(nameOf(g))));
      const facts_ = make("dl", { class: "life" });
      const row = (word, value) => { if (value) facts_.append(make("dt", {}, word), make("dd", {}, bdi(value))); };
      row(SAY.bornAs("").trim().replace(/^b/, "B") + " as", part(g, "maiden"));
      row(SAY.written, part(g, "written") !== nameOf(g) ? part(g, "written") : "");
      for (const name of ["born", "died", "buried"]) row(SAY[name], dateOf(g, name));
      if (P.veteran && P.veteran[g]) facts_.append(make("dt", {}, SAY.veteran), make("dd", {}, "✓ yes"));
      if (facts_.childElementCount) panel.append(facts_);
    } else panel.append(heading(bdi(placeWords(place))));
    if (g !== null) panel.append(whereBlock(place));
    else { const more = [facing(place)].filter(Boolean).join(" "); if (more) panel.append(make("p", {}, more)); }
    if (g === null && kindOf(place) === "space" && !gravesAt(place).length) panel.append(make("p", {}, SAY.nobody));
    const kin = around(place, g).filter(Boolean);
    if (g === null) panel.append(...kin);
    panel.append(wayBlock(place, way), sketches);
    const acts = make("div", { class: "acts" });
    if (spot(place)) acts.append(button(SAY.showPlace, () => { goTo(place); map.getContainer().focus(); }));
    if (way && way.line.length) acts.append(button(SAY.showWay, () => { goWay(way); map.getContainer().focus(); }));
    acts.append(button(SAY.print, () => window.print()), button(SAY.slip, () => showSlip(place, g)));
    panel.append(acts);
    if (g !== null) panel.append(...kin);
    const pos = position(place);
    if (pos) panel.append(pos);
    panel.append(make("p", { class: "hint link" }, make("a", { href: g === null ? placeHash(place) : graveHash(g) }, SAY.link), `. ${SAY.linkRests}`));
    show("place", true);
    over.clearLayers();
    mark(place, way);
    map.invalidateSize({ animate: false });
    goTo(place);
    say(`${g === null ? "" : `${nameOf(g)}. `}${placeWords(place)}`);
  }
  const showPerson = (g) => tell(P.at[g], g);
  const showPlace = (place) => tell(place, null);

  // ---- on paper ------------------------------------------------------------------------------------------------------
  const sketches = make("div", { id: "sketches", "aria-hidden": "true" });
  function sketch(x0, y0, x1, y1, wide, high) {
    const made = make("canvas", {}), ratio = 2;
    made.width = wide * ratio; made.height = high * ratio;
    const ctx = made.getContext("2d"), s = Math.min(wide / (x1 - x0), high / (y1 - y0));
    const view = { s, size: wide, high, ox: (x0 + x1) / 2 - wide / s / 2, oy: (y0 + y1) / 2 - high / s / 2 };
    ctx.scale(ratio, ratio);
    for (const _ of paint(ctx, ground, view)); // eslint-disable-line no-empty
    const at = ([x, y]) => [(x - view.ox) * s, (y - view.oy) * s];
    const path = (points, shut) => { ctx.beginPath(); points.forEach((p, k) => (k ? ctx.lineTo(...at(p)) : ctx.moveTo(...at(p)))); if (shut) ctx.closePath(); };
    if (open.way && open.way.line.length) { path(open.way.line, false); ctx.strokeStyle = "#ffffff"; ctx.lineWidth = 7; ctx.stroke(); ctx.setLineDash([3, 5]); ctx.strokeStyle = LOOK.way; ctx.lineWidth = 3.5; ctx.stroke(); ctx.setLineDash([]); }
    const ring = ringOf(open.place);
    if (ring.length) { path(ring, true); ctx.strokeStyle = "#ffffff"; ctx.lineWidth = 8; ctx.stroke(); ctx.strokeStyle = LOOK.chosen; ctx.lineWidth = 4; ctx.stroke(); }
    ctx.font = "14px sans-serif"; ctx.fillStyle = LOOK.ink; ctx.textAlign = "left"; ctx.fillText("↑ N", 8, 18);
    return made;
  }
  function forPaper() {
    sketches.replaceChildren();
    if (now === "place" && spot(open.place)) {
      const ring = ringOf(open.place), xs = ring.map((p) => p[0]), ys = ring.map((p) => p[1]), room = 12 * metre;
      sketches.append(sketch(Math.min(...xs) - room, Math.min(...ys) - room, Math.max(...xs) + room, Math.max(...ys) + room, 340, 250));
      if (open.way && open.way.line.length) {
        const lx = open.way.line.map((p) => p[0]), ly = open.way.line.map((p) => p[1]), more = 15 * metre;
        sketches.append(sketch(Math.min(...lx, ...xs) - more, Math.min(...ly, ...ys) - more, Math.max(...lx, ...xs) + more, Math.max(...ly, ...ys) + more, 340, 250));
      }
    }
    if (now === "list") fillList(LIST_PRINT);
  }
  window.addEventListener("beforeprint", forPaper);
  window.addEventListener("afterprint", () => { sketches.replaceChildren(); });

  function showSlip(place, g) {
    const panel = body.slip, about = g === null ? placeWords(place) : nameOf(g);
    panel.replaceChildren(button(SAY.back, () => show("place", true)), heading(SAY.slipTitle), make("p", { class: "hint" }, SAY.slipIntro));
    const told = make("dl", { class: "life" }), row = (word, ...values) => told.append(make("dt", {}, word), make("dd", {}, ...values));
    row(SAY.aboutRows.ground, bdi([facts.name, facts.place].filter(Boolean).join(", ")));
    row(SAY.slipTo, ...(facts.contact.length ? facts.contact.flatMap((line, k) => (k ? [make("br"), bdi(line)] : [bdi(line)])) : [SAY.slipNoContact]));
    row(SAY.slipAbout, bdi(about));
    if (g !== null) { for (const name of ["born", "died", "buried"]) if (dateOf(g, name)) row(SAY[name], bdi(dateOf(g, name))); row(SAY.where, bdi(placeWords(place))); }
    if (place) row("", bdi(placeId(place)));
    if (facts.as_of) row(SAY.aboutRows.as_of, facts.as_of);
    panel.append(told);
    for (const line of SAY.slipLines) panel.append(make("div", { class: "blank" }, make("p", {}, line), make("div", { class: "rule" }), make("div", { class: "rule" })));
    panel.append(make("div", { class: "acts" }, button(SAY.slipPrint, () => window.print())));
    show("slip", true);
  }

  // ---- lists ---------------------------------------------------------------------------------------------------------
  const listing = { section: -1, veterans: false, order: "name", rows: [], made: "" };
  let table, listCount, moreButton, listNote;
  function makeList() {
    const key = JSON.stringify([listing.section, listing.veterans, listing.order]);
    if (!table) {
      const section = make("select", { id: "list-section" }, make("option", { value: "-1" }, SAY.listAll), ...sectionNames.map((name, k) => make("option", { value: String(k) }, sectionWords(k))));
      const order = make("select", { id: "list-order" }, make("option", { value: "name" }, SAY.byName), make("option", { value: "place" }, SAY.byPlace));
      const veterans = make("input", { type: "checkbox", id: "list-veterans" });
      section.addEventListener("change", () => { listing.section = Number(section.value); makeList(); });
      order.addEventListener("change", () => { listing.order = order.value; makeList(); });
      veterans.addEventListener("change", () => { listing.veterans = veterans.checked; makeList(); });
      listCount = make("p", { id: "list-count", role: "status" });
      listNote = make("p", { class: "hint" });
      moreButton = button(SAY.listMore, () => fillList(table.tBodies[0].rows.length + 1000));
      table = make("table", { id: "list" }, make("caption", { class: "only-print" }), make("thead", {}, make("tr", {}, ...SAY.listHead.map((word) => make("th", { scope: "col" }, word)))), make("tbody", {}));
      body.list.append(heading(SAY.listTitle), make("div", { class: "choices" }, make("label", {}, SAY.listSection, section), make("label", {}, SAY.listOrder, order),
        P.veteran ? make("label", { class: "tick" }, veterans, SAY.listVeterans) : null), make("div", { class: "acts" }, button(SAY.listPrint, () => window.print())), listNote, listCount, table, moreButton);
    }
    $("list-section").value = String(listing.section);
    if (listing.made !== key) {
      listing.made = key;
      listing.rows = [];
      for (let g = 0; g < P.n; g++) if ((listing.section < 0 || sectionOf(P.at[g]) === listing.section) && (!listing.veterans || P.veteran[g])) listing.rows.push(g);
      if (listing.order === "name") {
        const order = listOrder();
        listing.rows.sort((p, q) => order[p] - order[q]);
      }
      table.caption.textContent = [facts.name, listing.section >= 0 ? sectionWords(listing.section) : SAY.listAll, listing.veterans ? SAY.listVeterans : "", facts.as_of && SAY.asOf(facts.as_of)].filter(Boolean).join(" – ");
      table.tBodies[0].replaceChildren();
    }
    fillList(LIST_FIRST);
  }
  /* The place of each grave in the order of names; each distinct word is compared once. */
  let nameRank = null;
  function listOrder() {
    if (nameRank) return nameRank;
    const keys = P.phrases.map(fold), rank = new Int32Array(keys.length + 1);
    [...keys.keys()].sort((p, q) => (keys[p] < keys[q] ? -1 : keys[p] > keys[q] ? 1 : 0)).forEach((p, k) => { rank[p + 1] = k + 1; });
    const of = (g, role) => (P.names[role] ? rank[P.names[role][g]] : 0), size = keys.length + 2;
    nameRank = new Float64Array(P.n);
    for (let g = 0; g < P.n; g++) nameRank[g] = ((of(g, "surname") || size - 1) * size + of(g, "given")) * 1e4 + Math.min(9999, P.died[0][g]);
    return nameRank;
  }
  function fillList(most) {
    const rows = table.tBodies[0];
    for (let k = rows.rows.length; k < Math.min(most, listing.rows.length); k++) {
      const g = listing.rows[k];
      rows.append(make("tr", {}, make("td", {}, make("a", { href: graveHash(g) }, bdi(listName(g))), P.veteran && P.veteran[g] ? ` (${SAY.veteran.toLowerCase()})` : ""),
        make("td", {}, yearOf(g, "born")), make("td", {}, yearOf(g, "died") || (yearOf(g, "buried") ? SAY.listBuried(yearOf(g, "buried")) : "")), make("td", {}, bdi(placeWords(P.at[g])))));
    }
    listCount.textContent = SAY.listCount(listing.rows.length, rows.rows.length);
    moreButton.hidden = rows.rows.length >= listing.rows.length;
    listNote.textContent = listing.rows.length > LIST_PRINT ? SAY.listTooLong(LIST_PRINT) : "";
  }

  // ---- about ---------------------------------------------------------------------------------------------------------
  function makeAbout() {
    if (body.about.childElementCount) return;
    const told = make("dl", { class: "life" }), row = (word, ...values) => { if (values.length && values[0]) told.append(make("dt", {}, word), make("dd", {}, ...values)); };
    row(SAY.aboutRows.ground, bdi([facts.name, facts.place].filter(Boolean).join(", ")));
    row(SAY.aboutRows.as_of, facts.as_of);
    row(SAY.aboutRows.graves, grouped(P.n));
    row(SAY.aboutRows.licence, facts.licence && bdi(facts.licence));
    row(SAY.aboutRows.contact, ...facts.contact.flatMap((line, k) => (k ? [make("br"), bdi(line)] : [bdi(line)])));
    row(SAY.aboutRows.crs, facts.crs);
    row(SAY.aboutRows.made, `cemgis ${facts.version}`);
    if (header.picture) row(SAY.picture, bdi(header.picture.attribution));
    body.about.append(heading(SAY.aboutTitle), make("p", {}, SAY.aboutWhat), make("p", {}, SAY.aboutSafe), make("p", {}, SAY.aboutSurvey), make("p", {}, SAY.linkRests), make("p", {}, SAY.aboutKeys), told,
      make("details", {}, make("summary", {}, SAY.leaflet), make("p", {}, SAY.folium), make("p", { class: "licence" }, licence())));
  }

  // ---- buttons of the map --------------------------------------------------------------------------------------------
  const larger = button(SAY.larger, () => {
    const on = document.body.classList.toggle("big-map");
    larger.textContent = on ? SAY.smaller : SAY.larger;
    larger.setAttribute("aria-expanded", String(on));
    sized();
  }, { id: "larger", "aria-expanded": "false" });
  $("map-tools").append(button(SAY.whole, showWhole, { id: "whole" }), larger);
  if (header.picture) {
    const on = button(SAY.picture, () => { options.picture = !options.picture; on.setAttribute("aria-pressed", String(options.picture)); canvas.redraw(); }, { id: "picture", "aria-pressed": "true" });
    $("map-tools").append(on);
    $("whose-picture").textContent = header.picture.attribution;
    options.picture = true;
    const raw = atob($("ground-picture").textContent), bytes = Uint8Array.from(raw, (c) => c.charCodeAt(0));
    createImageBitmap(new Blob([bytes], { type: header.picture.kind })).then((bitmap) => { options.bitmap = bitmap; canvas.redraw(); }, () => { options.picture = false; on.remove(); $("whose-picture").textContent = ""; });
  }
  new ResizeObserver(sized).observe(box);

  count.textContent = P.n ? SAY.start(SAY.count(P.n)) : SAY.noGraves;
  openHash();
  if (!now) show("home");
  /* What a search needs is prepared once the first picture stands; whoever asks before has it done at once. */
  const later = () => { if (!finder.some(performance.now() + 5)) setTimeout(later, 12); };
  canvas.once("load", later);
  document.body.dataset.ready = "yes";
  window.cemgisPublic = { finder, ask: (text, more) => finder.find(text, more), nameOf, placeWords, findPlace, wayTo, P, S, G, header };
})();
