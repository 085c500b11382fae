/* Finds people by their names however spelt: each distinct word is scored once, then every grave by its words. */
"use strict";
const cemgisSearch = (() => {
  // What a match in each part of a name is worth, and how ways to match compare: as in the register's own search.
  const WORTH = { surname: 1, given: 0.97, maiden: 0.95, middle: 0.9, written: 0.9, title: 0.3, suffix: 0.3 };
  const PREFIX = 0.86, LONGER = 0.12, SOUND = 0.70, SPELT = 0.92, BOTH = 0.06, NO_DATES = 0.75, NEAR_YEAR = 0.65, WRONG_YEAR = 0.5, LEAST = 0.25, NOISE = 0.55, SOME = 0.75;
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

  const FAR = 99, rows = [new Uint8Array(70), new Uint8Array(70), new Uint8Array(70)];
  /* Letters changed, left out, put in or swapped between two words; only near the diagonal, more than `most` is no matter. */
  function edits(a, b, most) {
    const n = a.length, m = b.length;
    if (n - m > most || m - n > most || m > 64 || n > 64) return most + 1;
    let before = rows[0], last = rows[1], row = rows[2];
    for (let j = 0; j <= m; j++) last[j] = j <= most ? j : FAR;
    for (let i = 1; i <= n; i++) {
      const low = i > most ? i - most : 1, high = i + most < m ? i + most : m, c = a.charCodeAt(i - 1), c0 = i > 1 ? a.charCodeAt(i - 2) : -1;
      let least = row[low - 1] = low === 1 && i <= most ? i : FAR;
      for (let j = low; j <= high; j++) {
        const d = b.charCodeAt(j - 1);
        let v = last[j - 1] + (c === d ? 0 : 1);
        if (last[j] + 1 < v) v = last[j] + 1;
        if (row[j - 1] + 1 < v) v = row[j - 1] + 1;
        if (c0 === d && j > 1 && c === b.charCodeAt(j - 2) && before[j - 2] + 1 < v) v = before[j - 2] + 1;
        row[j] = v;
        if (v < least) least = v;
      }
      if (least > most) return most + 1;
      if (high < m) row[high + 1] = FAR;
      const spare = before;
      before = last; last = row; row = spare;
    }
    return last[m];
  }
  const mostOff = (word) => (word.length < 3 ? 0 : word.length < 6 ? 1 : word.length < 9 ? 2 : 3);

  /* Folding by the tables of the page: small letters without accents, apostrophes left out, Latin where there is a table. */
  function folder(letters) {
    const mapped = (text, table) => { let out = ""; for (const c of text) out += Object.hasOwn(table, c) ? table[c] : c; return out; };
    const joining = new Set(letters.joining), prefixes = new Set(letters.prefixes);
    function fold(text) {
      if (!/[^\x00-\x7f]/.test(text)) return text.toLowerCase().replace(/['`.]/g, "").replace(/[^a-z0-9]+/g, " ").trim();
      let low = text.normalize("NFKC").toLowerCase().normalize("NFC");
      low = mapped(mapped(low, letters.plain).normalize("NFKD").replace(/\p{M}/gu, ""), letters.plain);
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
    const { n, phrases, names } = graves;
    const forms = [], owner = [];
    const folding = (function* () {
      for (let p = 0; p < phrases.length; p++) {
        const phrase = phrases[p];
        if (/^[A-Z]?[a-z]+$/.test(phrase)) { forms.push(phrase.toLowerCase()); owner.push(p); }
        else for (const word of words(phrase)) { forms.push(word); owner.push(p); }
        if (p % 1000 === 999) yield;
      }
    })();
    let sounds = null, bits = null, ready = false;
    const post = { start: new Uint32Array(phrases.length + 2), grave: null, role: null };
    function* preparing() {
      for (;;) { if (folding.next().done) break; yield; }
      sounds = new Int32Array(forms.length);
      bits = new Int32Array(forms.length);
      for (let from = 0; from < forms.length; from += 1000) {
        const to = Math.min(forms.length, from + 1000);
        for (let f = from; f < to; f++) { sounds[f] = soundex(forms[f]); bits[f] = lettersOf(forms[f]); }
        yield;
      }
      // Which graves bear a phrase, and as what: counted, summed, laid down; a part of the graves at a time.
      const start = post.start, STEP = 16384;
      for (const role of roles) for (let from = 0; from < n; from += STEP) {
        const codes = names[role], to = Math.min(n, from + STEP);
        for (let g = from; g < to; g++) if (codes[g]) start[codes[g] + 1]++;
        yield;
      }
      for (let p = 1; p < start.length; p++) start[p] += start[p - 1];
      post.grave = new Uint32Array(start[start.length - 1]);
      post.role = new Uint8Array(start[start.length - 1]);
      for (let r = 0; r < roles.length; r++) for (let from = 0; from < n; from += STEP) {
        const codes = names[roles[r]], to = Math.min(n, from + STEP);
        for (let g = from; g < to; g++) if (codes[g]) { const j = start[codes[g]]++; post.grave[j] = g; post.role[j] = r; }
        yield;
      }
      ready = true;
      // The browser makes code quick that has run a while: it runs here, on the names themselves, in small parts.
      const trial = new Float32Array(phrases.length);
      for (let turn = 0; turn < 3; turn++) for (let from = 0; from < forms.length; from += 400) {
        score([forms[(from * 7 + turn * 31) % forms.length] || "trial"], trial, from, Math.min(forms.length, from + 400));
        if (from % 4000 === 0) { spread(trial, 0); settle(); }
        yield;
      }
      if (graves.spans) yield;
      // Laying down moved each start to the next one's place: phrase p, code p + 1, now runs from start[p] to start[p + 1].
    }
    /* Does the slow part in idle moments; whoever asks before gets it done at once. */
    const steps = preparing();
    function some(until) {
      while (performance.now() < until) if (steps.next().done) return true;
      return false;
    }

    /* How well each phrase answers one word; for a part of the forms where asked so. */
    function score(tokens, out, from = 0, to = forms.length, spelling = true) {
      if (!from) out.fill(0);
      for (const token of tokens) {
        const sound = token.length > 2 ? soundex(token) : 0, letter = lettersOf(token), most = spelling ? mostOff(token) : 0, length = token.length;
        for (let f = from; f < to; f++) {
          const form = forms[f];
          let s = 0;
          if (form.startsWith(token)) s = form.length === length ? 1 : PREFIX + LONGER * length / form.length;
          else if (sound) {
            if (sounds[f] === sound) s = SOUND;
            if (most && form.length - length <= most && length - form.length <= most && ones(bits[f] & ~letter) <= most && ones(letter & ~bits[f]) <= most) {
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

    const roles = Object.keys(WORTH).filter((role) => names[role]), worth = roles.map((role) => WORTH[role]);
    const pool = [];
    const total = new Float32Array(n), best = new Float32Array(n), answered = new Uint8Array(n), touched = new Uint32Array(n), turn = new Uint32Array(n);
    /* Adds to every grave the best that one of its names is worth; how many graves have been touched so far comes back. */
    function spread(mine, count) {
      let now = 0;
      for (let p = 0; p < mine.length; p++) {
        if (!mine[p]) continue;
        for (let j = post.start[p]; j < post.start[p + 1]; j++) {
          const g = post.grave[j], s = mine[p] * worth[post.role[j]];
          if (s > best[g]) { if (!best[g]) turn[now++] = g; best[g] = s; }
        }
      }
      for (let j = 0; j < now; j++) {
        const g = turn[j];
        if (!answered[g]++) touched[count++] = g;
        total[g] += best[g];
        best[g] = 0;
      }
      return count;
    }

    /* Forgets what a trial has spread. */
    function settle() { total.fill(0); answered.fill(0); }

    /* Splits a question into words and years. */
    function read(asked) {
      let span = null;
      const left = asked.slice(0, 200).replace(/(?<!\d)(1[5-9]\d\d|20\d\d)(?:\s*[-\u2013]\s*(1[5-9]\d\d|20\d\d))?(?!\d)/, (all, from, to) => {
        span = to ? [Math.min(+from, +to), Math.max(+from, +to), 0] : [+from, +from, 2];
        return " ";
      });
      const seen = new Set(), once = (list) => { const key = list.join(" "); return list.length && !seen.has(key) && seen.add(key); };
      const tokens = left.split(/\s+/).map((piece) => words(piece)).filter((list) => list.length).slice(0, 8).filter(once);
      return { tokens, span };
    }

    /* Graves that answer, best first. `only(g)` may leave some out. */
    function find(asked, { limit = 50, only = null } = {}) {
      while (!ready) steps.next();
      const { tokens, span } = read(asked);
      if (!tokens.length && !span) return { hits: [], total: 0 };
      while (pool.length < tokens.length + 1) pool.push(new Float32Array(phrases.length));
      tokens.forEach((token, k) => score(token, pool[k]));
      for (let k = 0; k + 1 < tokens.length; k++) {
        // "O Brien" and "van Deusen" may be written as one word.
        if (tokens[k][0].length > 3) continue;
        const both = pool[tokens.length];
        score([tokens[k][0] + tokens[k + 1][0]], both, 0, forms.length, false);
        for (let p = 0; p < both.length; p++) {
          if (both[p] > pool[k][p]) pool[k][p] = both[p];
          if (both[p] > pool[k + 1][p]) pool[k + 1][p] = both[p];
        }
      }
      let many = 0;
      for (let k = 0; k < tokens.length; k++) many = spread(pool[k], many);
      if (!tokens.length) for (let g = 0; g < n; g++) { touched[many++] = g; total[g] = 1; }
      let top = 0;
      for (let j = 0; j < many; j++) {
        const g = touched[j];
        let s = total[g];
        if (tokens.length) s = s / tokens.length * (answered[g] === tokens.length ? 1 : SOME);
        if (span) {
          // A year that is wrong puts a grave further down; where nothing but years is asked for, it leaves it out.
          const off = yearsOff(g, span);
          if (off) s *= tokens.length ? worthOf(off) : 0;
        }
        if (s && only && !only(g)) s = 0;
        total[g] = s;
        if (s > top) top = s;
      }
      const cut = Math.max(LEAST, NOISE * top), buckets = new Uint32Array(257);
      let count = 0;
      for (let j = 0; j < many; j++) { const s = total[touched[j]]; if (s > cut) { count++; buckets[Math.min(256, s * 256 | 0)]++; } }
      let bucket = 256, sum = buckets[256];
      while (bucket > 0 && sum < limit) sum += buckets[--bucket];
      const found = [], scores = new Map();
      for (let j = 0; j < many; j++) {
        const g = touched[j], s = total[g];
        if (s > cut && Math.min(256, s * 256 | 0) >= bucket && found.length < 4000) { found.push(g); scores.set(g, s); }
        total[g] = 0;
        answered[g] = 0;
      }
      const name = (g, role) => (names[role] && names[role][g] ? phrases[names[role][g] - 1] : "");
      const keys = new Map(found.map((g) => [g, `${name(g, "surname")}\0${name(g, "given")}`]));
      found.sort((a, b) => scores.get(b) - scores.get(a) || (keys.get(a) < keys.get(b) ? -1 : keys.get(a) > keys.get(b) ? 1 : graves.died[0][a] - graves.died[0][b]) || a - b);
      // `named` is what the name alone is worth, `off` how many years its dates are away from those asked for.
      const hits = found.slice(0, limit).map((g) => {
        const score = scores.get(g), off = span ? yearsOff(g, span) : 0;
        return { g, score, off, named: score / worthOf(off) };
      });
      return { hits, total: count };
    }

    const worthOf = (off) => (off === 0 ? 1 : off < 0 ? NO_DATES : off <= 10 ? NEAR_YEAR : WRONG_YEAR);
    /* Years between those asked for and the nearest date of the grave, beyond what is allowed; -1 when it has none. */
    function yearsOff(g, [low, high, within]) {
      let off = -1;
      const spans = graves.spans;
      for (const [from, to] of [[spans.born, spans.born_to], [spans.died, spans.died_to], [spans.buried, spans.buried_to]]) {
        if (to[g] < from[g]) continue;
        const far = Math.max(0, from[g] - high - within, low - to[g] - within);
        if (off < 0 || far < off) off = far;
      }
      return off;
    }
    return { find, some, read, fold };
  }

  return { makeSearch, folder, soundex, edits };
})();
