/* Collects places on a picture: a click adds one, the list names them, the text is what goes into the points file. */
"use strict";
(function () {
  const picture = document.getElementById("picture");
  const frame = document.getElementById("frame");
  const rows = document.getElementById("rows");
  const text = document.getElementById("text");
  const said = document.getElementById("said");
  const full = { width: Number(frame.dataset.width), height: Number(frame.dataset.height) };
  const corners = ["", "southwest", "southeast", "northwest", "northeast"];
  let points = [];
  let chosen = -1;
  let zoom = 1;

  function tell(words) { said.textContent = words; }

  function quoted(value) { return /[",\n\r]/.test(value) ? '"' + value.replace(/"/g, '""') + '"' : value; }

  function write() {
    const lines = points.map((p) => [quoted(p.label), p.corner, p.column.toFixed(1), p.row.toFixed(1)].join(","));
    text.value = ["label,corner,column,row"].concat(lines).join("\n") + "\n";
  }

  function mark(point, number) {
    const dot = document.createElement("span");
    dot.className = number === chosen ? "dot chosen" : "dot";
    dot.textContent = String(number + 1);
    dot.style.left = (100 * point.column / full.width) + "%";
    dot.style.top = (100 * point.row / full.height) + "%";
    frame.appendChild(dot);
  }

  function cell(row, node) { const td = document.createElement("td"); td.appendChild(node); row.appendChild(td); }

  function show() {
    frame.querySelectorAll(".dot").forEach((dot) => dot.remove());
    rows.replaceChildren();
    points.forEach((point, number) => {
      mark(point, number);
      const row = document.createElement("tr");
      row.className = number === chosen ? "chosen" : "";
      const pick = document.createElement("button");
      pick.textContent = String(number + 1);
      pick.setAttribute("aria-label", "choose point " + (number + 1));
      pick.addEventListener("click", () => { chosen = number; show(); });
      cell(row, pick);
      const label = document.createElement("input");
      label.value = point.label;
      label.setAttribute("aria-label", "label of point " + (number + 1));
      label.addEventListener("input", () => { point.label = label.value.trim(); write(); });
      cell(row, label);
      const corner = document.createElement("select");
      corner.setAttribute("aria-label", "corner of point " + (number + 1));
      corners.forEach((word) => {
        const option = document.createElement("option");
        option.value = word;
        option.textContent = word || "its marker";
        corner.appendChild(option);
      });
      corner.value = point.corner;
      corner.addEventListener("change", () => { point.corner = corner.value; write(); });
      cell(row, corner);
      cell(row, document.createTextNode(point.column.toFixed(1) + ", " + point.row.toFixed(1)));
      const away = document.createElement("button");
      away.textContent = "take out";
      away.setAttribute("aria-label", "take out point " + (number + 1));
      away.addEventListener("click", () => { points.splice(number, 1); chosen = -1; show(); });
      cell(row, away);
      rows.appendChild(row);
    });
    write();
    tell(points.length + (points.length === 1 ? " point" : " points"));
  }

  picture.addEventListener("click", (event) => {
    const box = picture.getBoundingClientRect();
    const column = (event.clientX - box.left) / box.width * full.width;
    const row = (event.clientY - box.top) / box.height * full.height;
    points.push({ label: "", corner: "", column: column, row: row });
    chosen = points.length - 1;
    show();
    const inputs = rows.querySelectorAll("input");
    inputs[inputs.length - 1].focus();
  });

  document.addEventListener("keydown", (event) => {
    const way = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[event.key];
    if (!way || chosen < 0 || /^(INPUT|SELECT|TEXTAREA)$/.test(event.target.tagName)) { return; }
    event.preventDefault();
    const step = event.shiftKey ? 10 : 1;
    const point = points[chosen];
    point.column = Math.min(Math.max(point.column + step * way[0], 0), full.width);
    point.row = Math.min(Math.max(point.row + step * way[1], 0), full.height);
    show();
  });

  function scale(by) {
    zoom = Math.min(Math.max(zoom * by, 0.25), 16);
    frame.style.width = (100 * zoom) + "%";
    tell("shown at " + Math.round(100 * zoom) + " %");
  }
  document.getElementById("nearer").addEventListener("click", () => scale(1.5));
  document.getElementById("farther").addEventListener("click", () => scale(1 / 1.5));

  document.getElementById("save").addEventListener("click", () => {
    const link = document.createElement("a");
    link.href = URL.createObjectURL(new Blob([text.value], { type: "text/csv" }));
    link.download = frame.dataset.save;
    link.click();
    URL.revokeObjectURL(link.href);
    tell("saved as " + frame.dataset.save);
  });

  document.getElementById("again").addEventListener("click", () => {
    const found = [];
    let bad = 0;
    text.value.split(/\r?\n/).slice(1).filter((line) => line.trim()).forEach((line) => {
      const cells = (line.match(/("([^"]|"")*"|[^,]*)(,|$)/g) || []).map((one) => {
        const plain = one.replace(/,$/, "");
        return plain[0] === '"' ? plain.slice(1, -1).replace(/""/g, '"') : plain;
      });
      const column = Number(cells[2]);
      const row = Number(cells[3]);
      const good = cells.length >= 4 && cells[2].trim() && cells[3].trim() && corners.includes(cells[1].trim()) &&
        column >= 0 && column <= full.width && row >= 0 && row <= full.height;
      if (good) {
        found.push({ label: cells[0].trim(), corner: cells[1].trim(), column: column, row: row });
      } else {
        bad += 1;
      }
    });
    points = found;
    chosen = -1;
    show();
    if (bad) { tell(points.length + " points read, " + bad + " lines not understood"); }
  });

  show();
})();
