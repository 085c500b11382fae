/* Unpacks a ground and draws it on canvas tiles; knows nothing of panels, so that any page can use it. */
"use strict";
const cemgisMap = (() => {
  const ZOOM = 25;
  const PATTERN_PX = 8;
  const MARK_PX = 1.7;
  const SLICE_MS = 6, FIRST_SLICE_MS = 50;  // the first picture is drawn in few steps: every step costs a frame besides
  const SOUGHT = new Set(["unfound", "doubtful"]);  // states of corners whose marker is to be looked for

  // ---- unpacking -------------------------------------------------------------------------------------------------

  function bytesOf(text) {
    if (Uint8Array.fromBase64) return Uint8Array.fromBase64(text);
    const raw = atob(text);
    const bytes = new Uint8Array(raw.length);
    for (let i = 0; i < raw.length; i++) bytes[i] = raw.charCodeAt(i);
    return bytes;
  }

  /* The header of a block, and what reads one of its arrays. */
  async function openBlock(text) {
    const stream = new Blob([bytesOf(text)]).stream().pipeThrough(new DecompressionStream("gzip"));
    const data = new Uint8Array(await new Response(stream).arrayBuffer());
    const length = new DataView(data.buffer).getUint32(0, true);
    const header = JSON.parse(new TextDecoder().decode(data.subarray(4, 4 + length)));
    const start = 4 + length;
    function integers(spec) {
      const { n, w, p } = spec;
      const at = start + spec.o, out = new Int32Array(n);
      if (spec.k) { const places = integers(spec.k), values = integers(spec.v); for (let i = 0; i < places.length; i++) out[places[i]] = values[i]; if (p) return out; }
      else if (w === 1) for (let i = 0; i < n; i++) { const z = data[at + i]; out[i] = (z >>> 1) ^ -(z & 1); }
      else if (w === 2) for (let i = 0; i < n; i++) { const z = data[at + i] | data[at + n + i] << 8; out[i] = (z >>> 1) ^ -(z & 1); }
      else for (let i = 0; i < n; i++) {
        const z = data[at + i] | data[at + n + i] << 8 | data[at + 2 * n + i] << 16 | data[at + 3 * n + i] << 24;
        out[i] = (z >>> 1) ^ -(z & 1);
      }
      if (!p) for (let i = 1; i < n; i++) out[i] += out[i - 1];
      return out;
    }
    return { header, integers };
  }

  async function unpack(text) {
    const { header, integers } = await openBlock(text);
    const layers = header.layers.map((told) => makeLayer(told, integers));
    return { facts: header.facts, grid: header.grid, origin: header.origin, bounds: header.bounds,
             leftOut: header.left_out, picture: header.picture || null, unsettled: header.unsettled || {}, layers, byName: new Map(layers.map((layer) => [layer.name, layer])) };
  }

  function sums(counts) {
    const out = new Uint32Array(counts.length + 1);
    for (let i = 0; i < counts.length; i++) out[i + 1] = out[i] + counts[i];
    return out;
  }

  function makeLayer(told, integers) {
    const columns = told.columns.map((column) => ({ ...column, at: integers(column.at) }));
    const layer = { ...told, columns, byColumn: new Map(columns.map((column) => [column.name, column])), shown: !told.shut };
    if (told.settled) layer.settled = integers(told.settled);
    if (told.kind) {
      layer.classOf = integers(told.class);
      place(layer, told.places, integers);
    }
    return layer;
  }
  /* Gives a layer its rings and points, their boxes and an index. */
  function place(layer, places, integers) {
    layer.ringOf = sums(integers(places.rings));
    layer.pointOf = sums(integers(places.points));
    layer.x = integers(places.x);
    layer.y = integers(places.y);
    measure(layer);
  }

  /* Text of one value, or null where it is missing. */
  function value(column, i) {
    const v = column.at[i];
    if (v === 0) return null;
    if (column.words) return column.words[v - 1];
    if (column.type === "flag") return v === 2 ? "yes" : "no";
    const number = column.base + (v - 1) / column.step;
    if (column.type === "time") return new Date(number * 1000).toISOString().replace("T", " ").replace(".000Z", " UTC");
    if (column.type === "integer") return String(number);
    const digits = Math.max(0, Math.min(8, Math.round(Math.log10(column.step))));
    return number.toFixed(digits);
  }
  function number(column, i) {
    return column && column.at[i] ? column.base + (column.at[i] - 1) / column.step : NaN;
  }
  function text(layer, name, i) {
    const column = layer.byColumn.get(name);
    return column ? value(column, i) : null;
  }

  // ---- places ----------------------------------------------------------------------------------------------------

  function measure(layer) {
    const n = layer.n;
    layer.box = new Int32Array(4 * n);
    layer.placed = new Uint8Array(n);
    let [x0, y0, x1, y1] = [Infinity, Infinity, -Infinity, -Infinity];
    const sizes = [];
    for (let i = 0; i < n; i++) {
      const from = layer.pointOf[layer.ringOf[i]], to = layer.pointOf[layer.ringOf[i + 1]];
      if (from === to) continue;
      let [a, b, c, d] = [2147483647, 2147483647, -2147483648, -2147483648];
      for (let p = from; p < to; p++) {
        const x = layer.x[p], y = layer.y[p];
        if (x < a) a = x; if (x > c) c = x; if (y < b) b = y; if (y > d) d = y;
      }
      layer.box.set([a, b, c, d], 4 * i);
      layer.placed[i] = 1;
      if (a < x0) x0 = a; if (b < y0) y0 = b; if (c > x1) x1 = c; if (d > y1) y1 = d;
      if (i % 7 === 0 || n < 500) sizes.push(Math.min(c - a, d - b));
    }
    sizes.sort((p, q) => p - q);
    layer.side = sizes.length ? sizes[sizes.length >> 1] : 0;
    layer.index = makeIndex(layer, x0, y0, x1, y1);
    layer.around = [x0, y0, x1, y1];
  }

  function makeIndex(layer, x0, y0, x1, y1) {
    const count = layer.placed.reduce((sum, one) => sum + one, 0);
    if (!count) return { query: () => [] };
    const across = Math.max(1, Math.min(512, Math.round(Math.sqrt(count / 3))));
    const w = (x1 - x0 + 1) / across, h = (y1 - y0 + 1) / across;
    const cell = (v, from, size) => Math.max(0, Math.min(across - 1, Math.floor((v - from) / size)));
    const counts = new Uint32Array(across * across);
    const each = (i, f) => {
      const b = 4 * i, box = layer.box;
      const c1 = cell(box[b + 2], x0, w), r1 = cell(box[b + 3], y0, h);
      for (let r = cell(box[b + 1], y0, h); r <= r1; r++) for (let c = cell(box[b], x0, w); c <= c1; c++) f(r * across + c);
    };
    for (let i = 0; i < layer.n; i++) if (layer.placed[i]) each(i, (k) => counts[k]++);
    const starts = sums(counts);
    const items = new Uint32Array(starts[across * across]);
    const next = starts.slice();
    for (let i = 0; i < layer.n; i++) if (layer.placed[i]) each(i, (k) => { items[next[k]++] = i; });
    const seen = new Uint32Array(layer.n);
    let turn = 0;
    function query(a, b, c, d) {
      const out = [];
      if (c < x0 || a > x1 || d < y0 || b > y1) return out;
      turn++;
      const c0 = cell(a, x0, w), c1 = cell(c, x0, w), r0 = cell(b, y0, h), r1 = cell(d, y0, h);
      for (let r = r0; r <= r1; r++) for (let q = c0; q <= c1; q++) {
        const k = r * across + q;
        for (let j = starts[k]; j < starts[k + 1]; j++) {
          const i = items[j];
          if (seen[i] === turn) continue;
          seen[i] = turn;
          const o = 4 * i;
          if (layer.box[o] <= c && layer.box[o + 2] >= a && layer.box[o + 1] <= d && layer.box[o + 3] >= b) out.push(i);
        }
      }
      return out.sort((p, q) => p - q);
    }
    return { query };
  }

  function middle(layer, i) {
    const o = 4 * i;
    return [(layer.box[o] + layer.box[o + 2]) / 2, (layer.box[o + 1] + layer.box[o + 3]) / 2];
  }

  /* Angle of the long side of an area's first ring, its length and width; once for a layer. */
  function frames(layer) {
    if (layer.frames) return layer.frames;
    const out = new Float32Array(3 * layer.n);
    for (let i = 0; i < layer.n; i++) {
      if (!layer.placed[i]) continue;
      const from = layer.pointOf[layer.ringOf[i]], to = layer.pointOf[layer.ringOf[i] + 1];
      let best = -1, angle = 0;
      for (let p = from; p < to; p++) {
        const q = p + 1 < to ? p + 1 : from;
        const dx = layer.x[q] - layer.x[p], dy = layer.y[q] - layer.y[p], l = dx * dx + dy * dy;
        if (l > best) { best = l; angle = Math.atan2(dy, dx); }
      }
      const c = Math.cos(angle), s = Math.sin(angle);
      let [u0, u1, v0, v1] = [Infinity, -Infinity, Infinity, -Infinity];
      for (let p = from; p < to; p++) {
        const u = layer.x[p] * c + layer.y[p] * s, v = -layer.x[p] * s + layer.y[p] * c;
        u0 = Math.min(u0, u); u1 = Math.max(u1, u); v0 = Math.min(v0, v); v1 = Math.max(v1, v);
      }
      const turned = v1 - v0 > u1 - u0;
      if (turned) angle += Math.PI / 2;
      // Upright, and read from the right where it stands on end.
      angle = (((angle + 1.745) % Math.PI) + Math.PI) % Math.PI - 1.745;
      out[3 * i] = angle;
      out[3 * i + 1] = Math.max(u1 - u0, v1 - v0);
      out[3 * i + 2] = Math.min(u1 - u0, v1 - v0);
    }
    layer.frames = out;
    const lengths = [], widths = [];
    for (let i = 0; i < layer.n; i += Math.max(1, layer.n >> 10)) if (layer.placed[i]) { lengths.push(out[3 * i + 1]); widths.push(out[3 * i + 2]); }
    lengths.sort((a, b) => a - b); widths.sort((a, b) => a - b);
    layer.long = lengths[lengths.length >> 1] || 0;
    layer.wide = widths[widths.length >> 1] || 0;
    return out;
  }

  // ---- symbols ---------------------------------------------------------------------------------------------------

  const patterns = new Map();
  function pattern(ctx, symbol) {
    if (!symbol.pattern) return null;
    const key = symbol.pattern + symbol.line;
    if (!patterns.has(key)) {
      const tile = document.createElement("canvas");
      const size = PATTERN_PX;
      tile.width = tile.height = size * 2;
      const c = tile.getContext("2d");
      c.scale(2, 2);
      c.strokeStyle = c.fillStyle = symbol.line;
      c.lineWidth = 1;
      c.beginPath();
      if (symbol.pattern === "diagonal" || symbol.pattern === "crossed")
        for (const k of [-size, 0, size]) { c.moveTo(k - 1, size + 1); c.lineTo(k + size + 1, -1); }
      if (symbol.pattern === "crossed")
        for (const k of [-size, 0, size]) { c.moveTo(k - 1, -1); c.lineTo(k + size + 1, size + 1); }
      if (symbol.pattern === "level") { c.moveTo(0, size / 2); c.lineTo(size, size / 2); }
      if (symbol.pattern === "upright") { c.moveTo(size / 2, 0); c.lineTo(size / 2, size); }
      c.stroke();
      if (symbol.pattern === "dots") for (const [x, y] of [[2, 2], [6, 6]]) { c.beginPath(); c.arc(x, y, 0.9, 0, 7); c.fill(); }
      const made = ctx.createPattern(tile, "repeat");
      made.setTransform(new DOMMatrix().scale(0.5));
      patterns.set(key, made);
    }
    return patterns.get(key);
  }

  function mark(ctx, symbol, x, y, size) {
    const r = size / 2;
    ctx.beginPath();
    switch (symbol.mark) {
      case "square": ctx.rect(x - r, y - r, size, size); break;
      case "diamond": ctx.moveTo(x, y - r * 1.3); ctx.lineTo(x + r * 1.3, y); ctx.lineTo(x, y + r * 1.3); ctx.lineTo(x - r * 1.3, y); ctx.closePath(); break;
      case "triangle": ctx.moveTo(x, y - r * 1.2); ctx.lineTo(x + r * 1.15, y + r * 0.9); ctx.lineTo(x - r * 1.15, y + r * 0.9); ctx.closePath(); break;
      case "cross": ctx.moveTo(x - r, y - r); ctx.lineTo(x + r, y + r); ctx.moveTo(x - r, y + r); ctx.lineTo(x + r, y - r); break;
      default: ctx.arc(x, y, r, 0, 7);
    }
    if (symbol.fill && symbol.mark !== "ring" && symbol.mark !== "cross") { ctx.fillStyle = symbol.fill; ctx.fill(); }
    ctx.strokeStyle = symbol.line;
    ctx.lineWidth = symbol.mark === "square" || symbol.mark === "circle" ? 1 : 1.6;
    ctx.stroke();
  }

  /* One symbol in a box of its own, for a legend. */
  function swatch(symbol, kind) {
    const canvas = document.createElement("canvas");
    const ratio = window.devicePixelRatio || 1;
    canvas.width = 34 * ratio; canvas.height = 22 * ratio;
    const ctx = canvas.getContext("2d");
    ctx.scale(ratio, ratio);
    ctx.fillStyle = "#ffffff"; ctx.fillRect(0, 0, 34, 22);
    if (kind === "area") {
      ctx.beginPath(); ctx.rect(3, 3, 28, 16);
      if (symbol.fill) { ctx.fillStyle = symbol.fill; ctx.fill(); }
      const ruled = pattern(ctx, symbol);
      if (ruled) { ctx.fillStyle = ruled; ctx.fill(); }
      ctx.strokeStyle = symbol.line; ctx.lineWidth = 1.2; ctx.stroke();
    } else if (kind === "line") {
      ctx.beginPath(); ctx.moveTo(3, 11); ctx.lineTo(31, 11);
      ctx.strokeStyle = symbol.line; ctx.lineWidth = 2.4; ctx.stroke();
    } else mark(ctx, symbol, 17, 11, Math.min(15, symbol.size * MARK_PX + 2));
    return canvas;
  }

  // ---- drawing ---------------------------------------------------------------------------------------------------

  function trace(ctx, layer, i, s, ox, oy, shut) {
    for (let r = layer.ringOf[i]; r < layer.ringOf[i + 1]; r++) {
      const from = layer.pointOf[r], to = layer.pointOf[r + 1];
      if (from === to) continue;
      ctx.moveTo((layer.x[from] - ox) * s, (layer.y[from] - oy) * s);
      for (let p = from + 1; p < to; p++) ctx.lineTo((layer.x[p] - ox) * s, (layer.y[p] - oy) * s);
      if (shut) ctx.closePath();
    }
  }

  const LINE_PX = { sections: 2.4, lots: 1.1, spaces: 0.6, vaults: 1.5, clearances: 3 };

  function* paint(ctx, ground, view, options) {
    const { s, ox, oy, size, grow } = view;
    const spaces = ground.byName.get("spaces"), lots = ground.byName.get("lots");
    const lotPx = lots ? lots.side * s / grow : 40;
    const spacePx = spaces ? (frames(spaces), spaces.wide * s / grow) : 0;
    for (const layer of ground.layers) {
      if (!layer.kind || !layer.shown) continue;
      const pad = layer.kind === "mark" ? 24 * grow / s : layer.label ? 60 * grow / s : 4 / s;
      const ids = layer.index.query(ox - pad, oy - pad, ox + size / s + pad, oy + size / s + pad);
      if (!ids.length) continue;
      if (layer.kind === "area") yield* paintAreas(ctx, layer, ids, s, ox, oy);
      else if (layer.kind === "line") {
        ctx.beginPath();
        for (const i of ids) if (layer.classOf[i] >= 0) trace(ctx, layer, i, s, ox, oy, false);
        ctx.strokeStyle = layer.symbols[0].line; ctx.lineWidth = LINE_PX[layer.name] || 2; ctx.stroke();
      } else if (!(layer.name === "corners" && lotPx < 14) && !(layer.shut && lotPx < 8)) {
        const factor = layer.name === "findings" ? Math.max(0.6, Math.min(1, lotPx / 14)) : Math.max(0.45, Math.min(1, lotPx / 36));
        for (let k = 0; k < ids.length; k++) {
          const i = ids[k], symbol = layer.symbols[layer.classOf[i]];
          if (!symbol) continue;
          const p = layer.pointOf[layer.ringOf[i]];
          mark(ctx, symbol, (layer.x[p] - ox) * s, (layer.y[p] - oy) * s, symbol.size * MARK_PX * factor * grow);
          if (k % 256 === 255) yield;
        }
      }
      yield;
      if (layer.name === "spaces") paintHeads(ctx, layer, ids, s, ox, oy);
    }
    if (options.radius) yield* paintRadii(ctx, ground, view);
    yield* paintLabels(ctx, ground, view, lotPx, spacePx);
  }

  function* paintAreas(ctx, layer, ids, s, ox, oy) {
    const tiny = layer.side * s < 3;
    const byClass = new Map();
    for (const i of ids) {
      const c = layer.classOf[i];
      if (c < 0) continue;
      if (!byClass.has(c)) byClass.set(c, []);
      byClass.get(c).push(i);
    }
    for (const [c, list] of byClass) {
      const symbol = layer.symbols[c];
      const fill = layer.name === "sections" || layer.name === "lots" ? "" : symbol.fill;
      const ruled = layer.side * s > 5 || !fill ? pattern(ctx, symbol) : null;
      if (tiny && !fill && layer.name !== "sections") continue;
      for (let from = 0; from < list.length; from += 400) {
        const part = list.slice(from, from + 400);
        if (tiny && layer.n > 2000) {
          ctx.fillStyle = fill || symbol.line;
          for (const i of part) {
            const o = 4 * i, w = (layer.box[o + 2] - layer.box[o]) * s, h = (layer.box[o + 3] - layer.box[o + 1]) * s;
            ctx.fillRect((layer.box[o] - ox) * s, (layer.box[o + 1] - oy) * s, Math.max(w, 0.8), Math.max(h, 0.8));
          }
        } else {
          ctx.beginPath();
          for (const i of part) trace(ctx, layer, i, s, ox, oy, true);
          if (fill) { ctx.fillStyle = fill; ctx.fill("nonzero"); }
          if (ruled) { ctx.fillStyle = ruled; ctx.fill("nonzero"); }
          if (!tiny || layer.name === "sections") {
            ctx.strokeStyle = symbol.line;
            ctx.lineWidth = LINE_PX[layer.name] || 1;
            ctx.stroke();
          }
        }
        yield;
      }
    }
  }

  /* A short stroke across the head end of each space: the page's top is true north, and so is the azimuth's. None where
     stones or vaults speak against the rule. */
  function paintHeads(ctx, layer, ids, s, ox, oy) {
    const azimuth = layer.byColumn.get("heads_azimuth");
    const f = frames(layer);
    if (!azimuth || layer.long * s < 18) return;
    ctx.beginPath();
    for (const i of ids) {
      const turn = number(azimuth, i) * Math.PI / 180;
      if (Number.isNaN(turn) || (layer.settled && !layer.settled[i])) continue;
      const [mx, my] = middle(layer, i);
      const dx = Math.sin(turn), dy = -Math.cos(turn);
      const reach = f[3 * i + 1] * s * 0.42, half = f[3 * i + 2] * s * 0.26;
      const x = (mx - ox) * s + dx * reach, y = (my - oy) * s + dy * reach;
      ctx.moveTo(x - dy * half, y + dx * half);
      ctx.lineTo(x + dy * half, y - dx * half);
    }
    ctx.strokeStyle = "#2b2b2b"; ctx.lineWidth = 2; ctx.stroke();
  }

  function* paintRadii(ctx, ground, view) {
    const { s, ox, oy, size } = view;
    ctx.save();
    ctx.strokeStyle = "#1b4965"; ctx.lineWidth = 1.3;
    for (const layer of ground.layers) {
      const column = layer.byColumn.get("radius_95");
      if (!layer.kind || !layer.shown || !column || layer.side * s < 6 && layer.kind === "area") continue;
      const corners = layer.name === "corners";
      const ids = layer.index.query(ox - 40 / s, oy - 40 / s, ox + (size + 40) / s, oy + (size + 40) / s);
      for (let k = 0; k < ids.length; k++) {
        const r = number(column, ids[k]) * ground.grid.per_unit * s;
        if (!(r > 1.2) || corners && !SOUGHT.has(text(layer, "state", ids[k]))) continue;
        const [x, y] = middle(layer, ids[k]);
        ctx.setLineDash(r > 8 ? [4, 3] : []);
        ctx.beginPath(); ctx.arc((x - ox) * s, (y - oy) * s, r, 0, 7); ctx.stroke();
        if (k % 256 === 255) yield;
      }
    }
    ctx.restore();
  }

  function halo(ctx, text, x, y, angle, color, wide = 3) {
    ctx.save();
    ctx.translate(x, y);
    ctx.rotate(angle);
    ctx.lineWidth = wide; ctx.lineJoin = "round"; ctx.strokeStyle = "#ffffff"; ctx.strokeText(text, 0, 0);
    ctx.fillStyle = color; ctx.fillText(text, 0, 0);
    ctx.restore();
  }

  /* Numbers of the graver findings that stand at one place, said once by the first of them. */
  function together(layer, ids, k, s) {
    const [x, y] = middle(layer, ids[k]);
    const here = [];
    for (const i of ids) {
      const [a, b] = middle(layer, i);
      if (layer.classOf[i] > 1 || Math.hypot(a - x, b - y) * s > 18) continue;
      if (i < ids[k]) return "";
      here.push(i + 1);
    }
    return here.length > 3 ? `${here[0]}, ${here[1]} +${here.length - 2}` : here.join(", ");
  }

  /* A word's middle, moved so far that the word stays over the ground's width: at first view that is the map's. */
  function inward(ground, view, x, wide) {
    const left = (ground.bounds[0] - view.ox) * view.s - 14 * view.grow, right = (ground.bounds[2] - view.ox) * view.s + 14 * view.grow;
    return right - left < wide ? x : Math.max(left + wide / 2, Math.min(right - wide / 2, x));
  }

  /* Whether another section's land lies just above a section, where its letter would stand. */
  function crowded(layer, i, s) {
    const x = middle(layer, i)[0], top = layer.box[4 * i + 1];
    return layer.index.query(x - 8 / s, top - 22 / s, x + 8 / s, top - 4 / s).some((k) => k !== i);
  }

  function* paintLabels(ctx, ground, view, lotPx, spacePx) {
    const { s, ox, oy, size } = view, g = view.grow;
    ctx.textAlign = "center"; ctx.textBaseline = "middle";
    const numbered = spacePx >= 12;
    for (const name of ["spaces", "lots", "sections", "markers", "findings"]) {
      const layer = ground.byName.get(name);
      if (!layer || !layer.shown) continue;
      const pad = (name === "sections" || name === "findings" ? 240 : 80) * g / s;
      if (name === "spaces" && !numbered) continue;
      if (name === "lots" && lotPx < 14) continue;
      if (name === "markers" && lotPx < 90) continue;
      const ids = layer.index.query(ox - pad, oy - pad, ox + size / s + pad, oy + size / s + pad);
      const column = layer.byColumn.get(layer.label);
      const f = layer.kind === "area" ? frames(layer) : null;
      const azimuth = layer.byColumn.get("heads_azimuth");
      const px = g * (name === "spaces" ? Math.max(9, Math.min(15, spacePx * 0.55))
        : name === "lots" ? Math.max(9, Math.min(20, lotPx * 0.36)) : name === "sections" ? 17 : 12);
      ctx.font = `${name === "spaces" || name === "markers" ? 400 : 700} ${px}px system-ui, sans-serif`;
      for (let k = 0; k < ids.length; k++) {
        const i = ids[k];
        let said = name === "findings" ? together(layer, ids, k, s / g) : column ? value(column, i) : null;
        if (!said) continue;
        if (said.length > 24) said = said.slice(0, 23) + "…";
        let [x, y] = middle(layer, i);
        x = (x - ox) * s; y = (y - oy) * s;
        if (name === "spaces" || name === "lots") {
          if (px * 0.95 > f[3 * i + 2] * s || px * 0.62 * said.length > f[3 * i + 1] * s * 0.9) continue;
          let angle = f[3 * i];
          if (name === "spaces") {
            const turn = number(azimuth, i) * Math.PI / 180;
            if (!Number.isNaN(turn)) {
              // Numbers stand clear of stones: where these are seen at the other end, so are the numbers.
              const reach = f[3 * i + 1] * s * (layer.settled && !layer.settled[i] ? -0.32 : 0.32);
              x -= Math.sin(turn) * reach;
              y += Math.cos(turn) * reach;
            }
            angle = f[3 * i + 1] > 1.4 * f[3 * i + 2] ? angle : 0;
          }
          halo(ctx, said, x, y, angle, name === "lots" ? "#4a3f35" : "#2b2b2b", (px < 11 * g ? 2 : 3) * g);
        } else if (name === "sections") {
          // Above the land, clear of what is marked on it; in the middle only while that would be on another's land.
          const doubt = ground.unsettled[value(layer.byColumn.get(layer.key), i)];
          if (lotPx >= 14 || !crowded(layer, i, s / g)) y = (layer.box[4 * i + 1] - oy) * s - 13 * g;
          halo(ctx, said, x, y, 0, "#4a3f35", 3 * g);
          if (doubt) {
            ctx.font = `700 ${13 * g}px system-ui, sans-serif`;
            const lines = lotPx >= 14 ? doubt.split(" – ") : ["heads?"];
            const up = lotPx >= 14 ? 36 : 17;
            lines.forEach((part, line) => halo(ctx, part, inward(ground, view, x, ctx.measureText(part).width), y + (16 * line - up) * g, 0, "#b3261e"));
            ctx.font = `700 ${px}px system-ui, sans-serif`;
          }
        }
        else if (name === "markers") halo(ctx, said, x, y + 15 * g, 0, "#1b4965");
        else {
          // A tag beside the mark, as on paper: readable over any number below it; on its left at the ground's right edge.
          const symbol = layer.symbols[layer.classOf[i]], wide = ctx.measureText(said).width + 8 * g;
          if (x + 9 * g + wide > (ground.bounds[2] - ox) * s + 14 * g) x -= wide + 18 * g;
          ctx.fillStyle = layer.classOf[i] === 0 ? symbol.line : "#ffffff";
          ctx.strokeStyle = symbol.line; ctx.lineWidth = 1.5 * g;
          ctx.beginPath(); ctx.rect(x + 9 * g, y - 19 * g, wide, 17 * g); ctx.fill(); ctx.stroke();
          ctx.fillStyle = layer.classOf[i] === 0 ? "#ffffff" : symbol.line;
          ctx.fillText(said, x + 9 * g + wide / 2, y - 10 * g);
        }
        if (k % 128 === 127) yield;
      }
      yield;
    }
  }

  // ---- the tiles -------------------------------------------------------------------------------------------------

  const queue = [];
  let waiting = false, first = true;
  for (const touch of ["pointerdown", "keydown", "wheel"]) window.addEventListener(touch, () => { first = false; }, { capture: true, once: true, passive: true });
  function work() {
    waiting = false;
    const until = performance.now() + (first ? FIRST_SLICE_MS : SLICE_MS);
    while (queue.length && performance.now() < until) {
      const job = queue[0];
      if (job.dropped) { queue.shift(); continue; }
      if (job.steps.next().done) { queue.shift(); job.done(); }
    }
    if (queue.length) later(); else first = false;
  }
  function later() {
    if (!waiting) { waiting = true; (document.hidden ? setTimeout : requestAnimationFrame)(work); }
  }

  function tiles(ground, options, painted = paint) {
    const Tiles = L.GridLayer.extend({
      createTile(coords, done) {
        const size = this.getTileSize().x, ratio = window.devicePixelRatio || 1;
        const tile = L.DomUtil.create("canvas", "leaflet-tile");
        tile.width = tile.height = size * ratio;
        const ctx = tile.getContext("2d");
        ctx.scale(ratio, ratio);
        const s = 2 ** (coords.z - ZOOM);
        // Between two zooms of tiles these are drawn smaller than they are: words and marks grow by as much.
        const grow = this._map ? 2 ** (coords.z - this._map.getZoom()) : 1;
        const view = { s, size, grow, ox: coords.x * size / s - ground.origin[0], oy: coords.y * size / s - ground.origin[1] };
        const job = { steps: painted(ctx, ground, view, options), done: () => done(null, tile), dropped: false };
        tile.job = job;
        queue.push(job);
        later();
        return tile;
      },
    });
    const layer = new Tiles({ tileSize: 512, maxZoom: 26, keepBuffer: 1, updateWhenZooming: false });
    let drawn = null;
    if (painted === paint) layer.on("add", () => {
      drawn = layer._map.getZoom();
      layer._map.on("zoomend", () => {
        const now = layer._map ? layer._map.getZoom() : drawn;
        if (now !== drawn && Math.round(now) === Math.round(drawn)) layer.redraw();
        drawn = now;
      });
    });
    layer.on("tileunload", (event) => { if (event.tile.job) event.tile.job.dropped = true; });
    return layer;
  }

  // ---- what lies at a place --------------------------------------------------------------------------------------

  function inside(layer, i, x, y) {
    let odd = false;
    for (let r = layer.ringOf[i]; r < layer.ringOf[i + 1]; r++) {
      const from = layer.pointOf[r], to = layer.pointOf[r + 1];
      for (let p = from, q = to - 1; p < to; q = p++) {
        const yp = layer.y[p], yq = layer.y[q];
        if (yp > y !== yq > y && x < (layer.x[q] - layer.x[p]) * (y - yp) / (yq - yp) + layer.x[p]) odd = !odd;
      }
    }
    return odd;
  }
  function apart(layer, i, x, y) {
    let best = Infinity;
    for (let r = layer.ringOf[i]; r < layer.ringOf[i + 1]; r++) {
      const from = layer.pointOf[r], to = layer.pointOf[r + 1];
      for (let p = from; p < to; p++) {
        const q = Math.min(p + 1, to - 1);
        const dx = layer.x[q] - layer.x[p], dy = layer.y[q] - layer.y[p], l = dx * dx + dy * dy;
        const t = l ? Math.max(0, Math.min(1, ((x - layer.x[p]) * dx + (y - layer.y[p]) * dy) / l)) : 0;
        best = Math.min(best, Math.hypot(layer.x[p] + t * dx - x, layer.y[p] + t * dy - y));
      }
    }
    return best;
  }

  /* Everything shown at a place: marks and lines within reach, nearest first, then areas from the top down. */
  function at(ground, x, y, reach) {
    const near = [], under = [];
    for (let k = ground.layers.length - 1; k >= 0; k--) {
      const layer = ground.layers[k];
      if (!layer.kind || !layer.shown) continue;
      for (const i of layer.index.query(x - reach, y - reach, x + reach, y + reach)) {
        if (layer.classOf[i] < 0) continue;
        if (layer.kind === "area") { if (inside(layer, i, x, y)) under.push({ layer, i }); }
        else { const d = apart(layer, i, x, y); if (d <= reach) near.push({ layer, i, d }); }
      }
    }
    near.sort((p, q) => p.d - q.d);
    return [...near, ...under];
  }

  function toGrid(ground, x, y) {
    const g = ground.grid, a = x / g.span, b = y / g.span;
    const terms = [1, a, b, a * a, a * b, b * b, a ** 3, a * a * b, a * b * b, b ** 3];
    const sum = (numbers) => numbers.reduce((total, c, k) => total + c * terms[k], 0);
    return [sum(g.east), sum(g.north)];
  }
  function toLatLng(ground, x, y) {
    const s = 2 ** ZOOM;
    return L.CRS.EPSG3857.pointToLatLng(L.point((x + ground.origin[0]) / s, (y + ground.origin[1]) / s), 0);
  }
  function fromLatLng(ground, latlng) {
    const p = L.CRS.EPSG3857.latLngToPoint(latlng, 0), s = 2 ** ZOOM;
    return [p.x * s - ground.origin[0], p.y * s - ground.origin[1]];
  }

  return { ZOOM, openBlock, unpack, sums, place, makeIndex, trace, halo, inside, apart, value, number, text, middle, swatch, tiles, at, toGrid, toLatLng, fromLatLng };
})();
