/* Finds people by their names however spelt: each distinct word is scored once, then every grave by its words. */
"use strict";
const cemgisSearch = (() => {
  // What a match in each part of a name is worth, and how ways to match compare: as in the register's own search.
  const WORTH = { surname: 1, given: 0.97, maiden: 0.95, middle: 0.9, written: 0.9, title: 0.3, suffix: 0.3 };
  const PREFIX = 0.86, SOUND = 0.70, SPELT = 0.92, BOTH = 0.06, NO_DATES = 0.75, LEAST = 0.35, NOISE = 0.55, SOME = 0.6;
  const CODES = [0, 1, 2, 3, 0, 1, 2, -1, 0, 2, 2, 4, 5, 5, 0, 1, 2, 6, 2, 3, 0, 1, -1, 2, 0, 2];  // a to z; -1 is skipped

  /* Soundex (National Archives: The Soundex Indexing System) as a number: letter, then three digits; 0 without letters. */
  function soundex(word) {
    let first = 0, made = 0, digits = 0, last = 0;
    for (let i = 0; i < word.length && digits < 3; i++) {
      const c = word.charCodeAt(i) - 97;
      if (c < 0 || c > 25) continue;
      const code = CODES[c];
      if (!first) { first = c + 1; last = code > 0 ? code : 0; continue; }
      if (code < 0) continue;
      if (code > 0 && code !== last) { made = made * 10 + code; digits++; }
      last = code;
    }
    for (; digits < 3; digits++) made *= 10;
    return first ? first * 1000 + made : 0;
  }

  /* Letters of a word as bits, to leave out most comparisons. */
  function lettersOf(word) {
    let bits = 0;
    for (let i = 0; i < word.length; i++) bits |= 1 << (word.charCodeAt(i) % 31);
    return bits;
  }
  function ones(v) {
    v -= (v >>> 1) & 0x55555555;
    v = (v & 0x33333333) + ((v >>> 2) & 0x33333333);
    return (((v + (v >>> 4)) & 0x0f0f0f0f) * 0x01010101) >>> 24;
  }

  const rows = [new Uint8Array(66), new Uint8Array(66), new Uint8Array(66)];
  /* Letters changed, left out, put in or swapped between two words; more than `most` is not counted on. */
  function edits(a, b, most) {
    const n = a.length, m = b.length;
    if (Math.abs(n - m) > most || m > 64 || n > 64) return most + 1;
    let [before, last, row] = rows;
    for (let j = 0; j <= m; j++) last[j] = j;
    for (let i = 1; i <= n; i++) {
      let least = row[0] = i;
      const c = a.charCodeAt(i - 1), c0 = i > 1 ? a.charCodeAt(i - 2) : -1;
      for (let j = 1; j <= m; j++) {
        const d = b.charCodeAt(j - 1);
        let v = last[j - 1] + (c === d ? 0 : 1);
        if (last[j] + 1 < v) v = last[j] + 1;
        if (row[j - 1] + 1 < v) v = row[j - 1] + 1;
        if (i > 1 && j > 1 && c0 === d && c === b.charCodeAt(j - 2) && before[j - 2] + 1 < v) v = before[j - 2] + 1;
        row[j] = v;
        if (v < least) least = v;
      }
      if (least > most) return most + 1;
      [before, last, row] = [last, row, before];
    }
    return last[m];
  }
  const mostOff = (word) => (word.length < 3 ? 0 : word.length < 6 ? 1 : word.length < 9 ? 2 : 3);

  /* Folding by the tables of the page: small letters without accents, apostrophes left out, Latin where there is a table. */
  function folder(letters) {
    const mapped = (text, table) => { let out = ""; for (const c of text) out += Object.hasOwn(table, c) ? table[c] : c; return out; };
    const joining = new Set(letters.joining), prefixes = new Set(letters.prefixes);
    function fold(text) {
      let low = text.normalize("NFKC").toLowerCase().normalize("NFC");
      if (/[^\x00-\x7f]/.test(low)) low = mapped(mapped(low, letters.plain).normalize("NFKD").replace(/\p{M}/gu, ""), letters.plain);
      return low.replace(/['\u2018\u2019\u02bc`\u00b4.]/g, "").replace(/[^\p{L}\p{N}]+/gu, " ").trim();
    }
    function words(text) {
      const found = fold(text).split(" ");
      const low = text.toLowerCase().normalize("NFC"), spelt = mapped(low, letters.spelt);
      if (spelt !== low) found.push(...fold(spelt).split(" "));
      for (let i = found.length - 2; i >= 0; i--) if (joining.has(found[i]) && !joining.has(found[i + 1])) found.push(found[i] + found[i + 1]);
      // A surname with a prefix grown on is found without it as well.
      for (const piece of text.split(/[\s-]+/)) {
        const parts = piece.split(/(?<=\p{Ll})(?=\p{Lu})|(?<=^[DdLl])['\u2019]/u);
        if (parts.length > 1 && prefixes.has(fold(parts[0]))) found.push(fold(parts.slice(1).join("")));
      }
      return [...new Set(found)].filter(Boolean);
    }
    return { fold, words };
  }

  /* An index over the graves: `phrases` are the distinct parts of names, `names` their numbers (from 1) by grave. */
  function makeSearch(letters, graves) {
    const { fold, words } = folder(letters);
    const { n, phrases, names, spans } = graves;
    const forms = [], owner = [];
    const folding = (function* () {
      for (let p = 0; p < phrases.length; p++) {
        const phrase = phrases[p];
        if (/^[A-Z]?[a-z]+$/.test(phrase)) { forms.push(phrase.toLowerCase()); owner.push(p); }
        else for (const word of words(phrase)) { forms.push(word); owner.push(p); }
        if (p % 1000 === 999) yield;
      }
    })();
    let sounds = null, bits = null, prepared = 0;
    function ready() {
      while (!folding.next().done);
      if (!sounds) { sounds = new Int32Array(forms.length); bits = new Int32Array(forms.length); }
    }
    function* preparing() {
      for (;;) { if (folding.next().done) break; yield; }
      ready();
      while (prepared < forms.length) {
        const to = Math.min(forms.length, prepared + 2000);
        for (let f = prepared; f < to; f++) { sounds[f] = soundex(forms[f]); bits[f] = lettersOf(forms[f]); }
        prepared = to;
        yield;
      }
    }
    /* Does the slow part in idle moments; whoever asks before gets it done at once. */
    const steps = preparing();
    function some(until) {
      while (performance.now() < until) if (steps.next().done) return true;
      return false;
    }

    /* How well each phrase answers one word. */
    function score(tokens, out) {
      out.fill(0);
      for (const token of tokens) {
        const sound = token.length > 2 ? soundex(token) : 0, letter = lettersOf(token), most = mostOff(token), length = token.length;
        for (let f = 0; f < forms.length; f++) {
          const form = forms[f];
          let s = 0;
          if (form.startsWith(token)) s = form.length === length ? 1 : PREFIX + 0.1 * length / form.length;
          else if (sound) {
            if (sounds[f] === sound) s = SOUND;
            if (most && form.length - length <= most && length - form.length <= most && ones(bits[f] ^ letter) <= 2 * most) {
              const off = edits(token, form, most);
              if (off <= most) {
                const alike = SPELT * (1 - off / Math.max(length, form.length)) + (s ? BOTH : 0);
                if (alike > s) s = alike;
              }
            }
          }
          if (s > out[owner[f]]) out[owner[f]] = s;
        }
      }
    }

    const roles = Object.keys(WORTH).filter((role) => names[role]).map((role) => ({ codes: names[role], worth: WORTH[role] }));
    let pool = [];
    const total = new Float32Array(n), answered = new Uint8Array(n);

    /* Splits a question into words and years. */
    function read(asked) {
      let span = null;
      const left = asked.slice(0, 200).replace(/(?<!\d)(1[5-9]\d\d|20\d\d)(?:\s*[-\u2013]\s*(1[5-9]\d\d|20\d\d))?(?!\d)/, (all, from, to) => {
        span = to ? [Math.min(+from, +to), Math.max(+from, +to), 0] : [+from, +from, 2];
        return " ";
      });
      const tokens = left.split(/\s+/).map((piece) => words(piece)).filter((list) => list.length).slice(0, 8);
      return { tokens, span };
    }

    /* Graves that answer, best first. `only(g)` may leave some out. */
    function find(asked, { limit = 50, only = null } = {}) {
      while (!some(Infinity));
      const { tokens, span } = read(asked);
      if (!tokens.length && !span) return { hits: [], total: 0 };
      while (pool.length < tokens.length + 1) pool.push(new Float32Array(phrases.length));
      tokens.forEach((token, k) => score(token, pool[k]));
      for (let k = 0; k + 1 < tokens.length; k++) {
        // "O Brien" and "van Deusen" may be written as one word.
        if (tokens[k][0].length > 3) continue;
        const both = pool[tokens.length];
        score([tokens[k][0] + tokens[k + 1][0]], both);
        for (let p = 0; p < both.length; p++) {
          if (both[p] > pool[k][p]) pool[k][p] = both[p];
          if (both[p] > pool[k + 1][p]) pool[k + 1][p] = both[p];
        }
      }
      total.fill(tokens.length ? 0 : 1);
      answered.fill(0);
      for (let k = 0; k < tokens.length; k++) {
        const mine = pool[k];
        for (let g = 0; g < n; g++) {
          let best = 0;
          for (let r = 0; r < roles.length; r++) {
            const code = roles[r].codes[g];
            if (code) { const s = mine[code - 1] * roles[r].worth; if (s > best) best = s; }
          }
          if (best) { total[g] += best; answered[g]++; }
        }
      }
      let top = 0;
      for (let g = 0; g < n; g++) {
        let s = total[g];
        if (!s) continue;
        if (tokens.length) s = s / tokens.length * (answered[g] === tokens.length ? 1 : SOME);
        if (span) {
          const fits = inYears(g, span);
          s = fits === 0 ? 0 : fits < 0 ? s * NO_DATES : s;
        }
        if (s && only && !only(g)) s = 0;
        total[g] = s;
        if (s > top) top = s;
      }
      const cut = Math.max(LEAST, NOISE * top), buckets = new Uint32Array(257);
      let count = 0;
      for (let g = 0; g < n; g++) if (total[g] > cut) { count++; buckets[Math.min(256, total[g] * 256 | 0)]++; }
      let bucket = 256, sum = buckets[256];
      while (bucket > 0 && sum < limit) sum += buckets[--bucket];
      const found = [];
      for (let g = 0; g < n && found.length < 4000; g++) if (total[g] > cut && Math.min(256, total[g] * 256 | 0) >= bucket) found.push(g);
      const name = (g, role) => (names[role] && names[role][g] ? phrases[names[role][g] - 1] : "");
      const keys = new Map(found.map((g) => [g, fold(name(g, "surname")) + "\0" + fold(name(g, "given"))]));
      found.sort((a, b) => total[b] - total[a] || (keys.get(a) < keys.get(b) ? -1 : keys.get(a) > keys.get(b) ? 1 : spans.died[a] - spans.died[b]) || a - b);
      const hits = found.slice(0, limit).map((g) => ({ g, score: total[g] }));
      return { hits, total: count };
    }

    /* 1 when a date of the grave can lie in the years asked for, 0 when none can, -1 when it has none. */
    function inYears(g, [low, high, within]) {
      let dated = false;
      for (const [from, to] of [[spans.born, spans.born_to], [spans.died, spans.died_to], [spans.buried, spans.buried_to]]) {
        if (to[g] < from[g]) continue;
        dated = true;
        if (from[g] <= high + within && to[g] >= low - within) return 1;
      }
      return dated ? 0 : -1;
    }
    return { find, some, read, fold };
  }

  return { makeSearch, folder, soundex, edits };
})();
