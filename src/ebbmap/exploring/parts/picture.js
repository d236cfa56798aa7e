/* The map on its canvas, axes, legend and caution included, so that a saved picture has them all. */

/* What is shown last: counts, and whether they are whole. */
let counts = null;

/* Cells across and up of what is shown. */
let grid = null;

/* Where the map lies on its canvas, for clicks. */
const placed = { left: 0, top: 0, side: 1, right: 1, bottom: 1 };

function colourOf(cell) {
  const { safe, broken, counted } = counts;
  if (state.show === "share") {
    const step = (page.share_colours.length - 1) * (counted ? safe[cell] / counted : 0);
    return mixed(page.share_colours[Math.floor(step)], page.share_colours[Math.ceil(step)], step % 1);
  }
  const [bound, many] = commonest(cell);
  if (bound < 0) return rgb("#f7f3ea");
  return mixed("#f7f3ea", page.bounds[bound].colour, 0.06 + (0.94 * many) / counted);
}

/* The limit that is broken most often in a cell, and in how many lungs. */
function commonest(cell) {
  let [bound, many] = [-1, 0];
  counts.broken.forEach((one, k) => { if (one[cell] > many) [bound, many] = [k, one[cell]]; });
  return [bound, many];
}

const parsed = new Map();
function rgb(hex) {
  if (!parsed.has(hex)) parsed.set(hex, [1, 3, 5].map((k) => parseInt(hex.slice(k, k + 2), 16)));
  return parsed.get(hex);
}

function mixed(one, other, share) {
  const [a, b] = [rgb(one), rgb(other)];
  return a.map((v, k) => v + (b[k] - v) * share);
}

/* Take new counts and draw them. */
function showCounts(found, whole) {
  counts = found;
  grid = { wide: cellsOf(state.x), tall: cellsOf(state.y) };
  drawPicture();
  describePicture(whole);
}

/* Cells as pixels on a small canvas of their own, to be drawn large. */
function cellsAsPixels() {
  const { wide: n, tall } = grid;
  const small = document.createElement("canvas");
  Object.assign(small, { width: n, height: tall });
  const context = small.getContext("2d");
  const pixels = context.createImageData(n, tall);
  for (let j = 0; j < tall; j++) {
    for (let i = 0; i < n; i++) {
      const [r, g, b] = colourOf(j * n + i);
      pixels.data.set([r, g, b, 255], 4 * ((tall - 1 - j) * n + i));
    }
  }
  context.putImageData(pixels, 0, 0);
  return small;
}

function drawPicture() {
  const canvas = by("map");
  const wide = Math.max(by("map_place").clientWidth, 200);
  const size = parseFloat(getComputedStyle(canvas).fontSize);
  const narrow = wide < 420;
  const space = { left: 3.4 * size, right: 0.8 * size, top: 0.9 * size };
  const pen = canvas.getContext("2d");
  pen.font = `${0.88 * size}px system-ui, sans-serif`;
  const legend = legendRows(pen, size, wide - space.left - space.right);
  pen.font = `${0.78 * size}px system-ui, sans-serif`;
  const caution = [...noteRows(pen, wide - 8), ...cautionRows(pen, wide - 8)];
  space.bottom = (3.4 + 1.25 * legend.length + 0.95 * caution.length) * size;
  const room = window.innerHeight - canvas.getBoundingClientRect().top - window.scrollY - space.bottom - 10;
  const width = wide - space.left - space.right;
  const height = Math.max(Math.min(width, narrow ? 0.72 * width : room), 180);
  const scale = window.devicePixelRatio || 1;
  const total = space.top + height + space.bottom;
  canvas.width = wide * scale;
  canvas.height = total * scale;
  canvas.style.width = `${wide}px`;
  canvas.style.height = `${total}px`;
  Object.assign(placed, { left: space.left, top: space.top, right: space.left + width, bottom: space.top + height });
  pen.scale(scale, scale);
  const look = (name) => getComputedStyle(document.body).getPropertyValue(name).trim();
  pen.fillStyle = look("--paper");
  pen.fillRect(0, 0, wide, total);
  pen.imageSmoothingEnabled = false;
  pen.drawImage(cellsAsPixels(), placed.left, placed.top, width, height);
  drawEdge(pen, look("--ink"));
  drawAxes(pen, size, look);
  drawLegend(pen, size, look, legend, caution);
  drawMark(pen, look);
}

/* The edge of the part that is safe for half of the lungs. */
function drawEdge(pen, colour) {
  if (state.show !== "share") return;
  const { wide: n, tall } = grid;
  const half = (i, j) => counts.safe[j * n + i] >= 0.5 * counts.counted;
  const [w, h] = [(placed.right - placed.left) / n, (placed.bottom - placed.top) / tall];
  pen.beginPath();
  for (let j = 0; j < tall; j++) {
    for (let i = 0; i < n; i++) {
      const [x, y] = [placed.left + i * w, placed.bottom - (j + 1) * h];
      if (i + 1 < n && half(i, j) !== half(i + 1, j)) { pen.moveTo(x + w, y); pen.lineTo(x + w, y + h); }
      if (j + 1 < tall && half(i, j) !== half(i, j + 1)) { pen.moveTo(x, y); pen.lineTo(x + w, y); }
    }
  }
  pen.strokeStyle = colour;
  pen.lineWidth = 1.6;
  pen.stroke();
}

function axisText(axis) {
  const entry = page.sliders[axis.name] ?? page.properties[axis.name];
  return entry.units && entry.units !== "1" ? `${entry.label} [${entry.units}]` : entry.label;
}

/* A place on an axis in words: name, value, unit. */
function placeText(axis, value) {
  const { label, units } = page.sliders[axis.name] ?? page.properties[axis.name];
  return `${label} ${say(value, 2)}${units && units !== "1" ? ` ${units}` : ""}`;
}

/* Numbers along an axis and where they stand, from 0 to 1: even ones, or stored places, each in the
   middle of its cells, which are as wide as any other. */
function marksOf(axis, most) {
  if (!page.stored) return ticks(axis.from, axis.to, most).map((t) => [t, (t - axis.from) / (axis.to - axis.from)]);
  const places = placesOf(axis);
  const step = Math.ceil(places.length / Math.max(most, 1));
  return places.map((t, k) => [Number(t.toPrecision(4)), (k + 0.5) / places.length]).filter((_, k) => k % step === 0);
}

function drawAxes(pen, size, look) {
  const { left, right, top, bottom } = placed;
  pen.strokeStyle = look("--faint");
  pen.lineWidth = 1;
  pen.strokeRect(left, top, right - left, bottom - top);
  pen.fillStyle = look("--ink");
  pen.font = `${size}px system-ui, sans-serif`;
  pen.textAlign = "center";
  for (const [t, share] of marksOf(state.x, (right - left) / (4.5 * size))) {
    const x = left + (right - left) * share;
    pen.fillText(String(t), Math.min(x, right - 0.4 * size), bottom + 1.25 * size);
  }
  pen.textAlign = "right";
  for (const [t, share] of marksOf(state.y, (bottom - top) / (3 * size))) {
    const y = bottom - (bottom - top) * share;
    pen.fillText(String(t), left - 5, Math.max(y + 0.35 * size, top + 0.8 * size));
  }
  pen.font = `600 ${size}px system-ui, sans-serif`;
  pen.textAlign = "center";
  pen.fillText(axisText(state.x), (left + right) / 2, bottom + 2.6 * size);
  pen.save();
  pen.translate(size, (top + bottom) / 2);
  pen.rotate(-Math.PI / 2);
  pen.fillText(axisText(state.y), 0, 0);
  pen.restore();
}

/* Rows of the legend, each a list of colours with words, that fit a width. */
function legendRows(pen, size, width) {
  if (state.show === "share") return [[]];
  const seen = new Set();
  for (let cell = 0; cell < counts.safe.length; cell += page.stored ? 1 : 7) seen.add(commonest(cell)[0]);
  const rows = [[]];
  let x = 0;
  for (const bound of [...seen].filter((k) => k >= 0).sort((a, b) => a - b)) {
    const text = limitWords(page.bounds[bound]);
    const wide = pen.measureText(text).width + 2 * size;
    if (x && x + wide > width) {
      rows.push([]);
      x = 0;
    }
    rows.at(-1).push({ colour: page.bounds[bound].colour, text, x });
    x += wide;
  }
  return rows;
}

/* What of the lungs does not follow a property on an axis, so that this is no study's map. */
function noteRows(pen, width) {
  const left = leftAsDrawn(state);
  if (!left.length) return [];
  const label = (name) => page.properties[name].label;
  const axes = [state.x.name, state.y.name].filter((name) => name in page.properties).map(label);
  const rows = [""];
  for (const word of `Left as drawn whatever ${listed(axes)} is: ${listed(left.map(label))}. A study's map draws them given it.`.split(" ")) {
    const longer = `${rows.at(-1)} ${word}`.trim();
    if (rows.at(-1) && pen.measureText(longer).width > width) rows.push(word);
    else rows[rows.length - 1] = longer;
  }
  return rows;
}

/* The line of caution, in as many rows as it needs. */
function cautionRows(pen, width) {
  const caution = by("caution").textContent;
  return pen.measureText(caution).width < width ? [caution] : caution.split(/(?<=:) /);
}

/* Legend and the line of caution, within the picture. */
function drawLegend(pen, size, look, legend, caution) {
  const { left, right, bottom } = placed;
  let y = bottom + 3.3 * size;
  pen.font = `${0.88 * size}px system-ui, sans-serif`;
  pen.textAlign = "left";
  if (state.show === "share") {
    const bar = Math.min(12 * size, 0.4 * (right - left));
    for (let k = 0; k < 60; k++) {
      const step = ((page.share_colours.length - 1) * k) / 59;
      pen.fillStyle = page.share_colours[Math.round(step)];
      pen.fillRect(left + (bar * k) / 60, y, bar / 60 + 1, 0.8 * size);
    }
    pen.fillStyle = look("--ink");
    pen.fillText("0 to 100 % of lungs safe; line: half", left + bar + 0.5 * size, y + 0.75 * size, right - left - bar);
  }
  for (const row of legend) {
    for (const { colour, text, x } of row) {
      pen.fillStyle = colour;
      pen.fillRect(left + x, y, 0.8 * size, 0.8 * size);
      pen.fillStyle = look("--ink");
      pen.fillText(text, left + x + 1.1 * size, y + 0.75 * size, right - left - x - 1.1 * size);
    }
    y += 1.25 * size;
  }
  pen.fillStyle = look("--faint");
  pen.font = `${0.78 * size}px system-ui, sans-serif`;
  caution.forEach((text, k) => pen.fillText(text, 4, y + (0.7 + 0.95 * k) * size));
}

/* The cell that was clicked. */
function drawMark(pen, look) {
  if (!state.cell) return;
  const [w, h] = [(placed.right - placed.left) / grid.wide, (placed.bottom - placed.top) / grid.tall];
  const x = placed.left + (state.cell.i + 0.5) * w;
  const y = placed.bottom - (state.cell.j + 0.5) * h;
  pen.lineWidth = 3;
  for (const [colour, radius] of [[look("--paper"), 8], [look("--ink"), 6]]) {
    pen.strokeStyle = colour;
    pen.beginPath();
    pen.arc(x, y, radius, 0, 2 * Math.PI);
    pen.stroke();
  }
}

/* The picture in words, and as a table, for screen readers. */
function describePicture(whole) {
  const { wide: n, tall } = grid;
  const share = (i, j) => counts.safe[j * n + i] / counts.counted;
  let best = 0;
  counts.safe.forEach((many, cell) => { if (many > counts.safe[best]) best = cell; });
  const value = (axis, k) => placesOf(axis)[k];
  const at = (axis, k) => say(value(axis, k), 2);
  const place = (axis, k) => placeText(axis, value(axis, k));
  const label = groups[state.group].label;
  const many = counts.safe.reduce((sum, v) => sum + v, 0) / (counts.counted * n * tall);
  const text = `${label}: safe for ${(100 * share(best % n, Math.floor(best / n))).toFixed(0)}\u00a0% of lungs at best, at ${place(state.x, best % n)} and ${place(state.y, Math.floor(best / n))}; ${(100 * many).toFixed(0)}\u00a0% over the whole map.`;
  by("map").setAttribute("aria-label", text);
  by("said").textContent = text;
  by("map").dataset.safe = counts.safe.reduce((sum, v) => sum + v, 0);
  tellProgress(whole ? 1 : 0);
  if (!whole) return;
  const [steps, levels] = [n, tall].map((many) => [...new Set([0, 0.25, 0.5, 0.75, 1].map((s) => Math.round(s * (many - 1))))]);
  const rows = [...levels].reverse().map((j) => make("tr", {}, make("th", { scope: "row" }, at(state.y, j)), ...steps.map((i) => make("td", {}, say(share(i, j), -1)))));
  const head = make("tr", {}, make("th", {}, `${axisText(state.y)} by ${axisText(state.x)}`), ...steps.map((i) => make("th", { scope: "col" }, at(state.x, i))));
  by("map_table").replaceChildren(make("caption", {}, "share of lungs that are safe"), head, ...rows);
}

function tellProgress(share) {
  const lungs = counts.counted === 1 ? "1 lung" : `${counts.counted} lungs`;
  by("progress").textContent = share === 1 ? `every cell counted, ${lungs}` : share ? `draft; counting every cell: ${Math.floor(100 * share)} %` : `draft, ${lungs}`;
}

/* A click, a tap, or arrow keys choose a cell. */
function startPicture() {
  const canvas = by("map");
  canvas.addEventListener("click", (event) => {
    const frame = canvas.getBoundingClientRect();
    const x = (event.clientX - frame.left - placed.left) / (placed.right - placed.left);
    const y = (placed.bottom - (event.clientY - frame.top)) / (placed.bottom - placed.top);
    if (x < 0 || x > 1 || y < 0 || y > 1) return;
    chooseCell(Math.min(Math.floor(x * grid.wide), grid.wide - 1), Math.min(Math.floor(y * grid.tall), grid.tall - 1));
  });
  canvas.addEventListener("keydown", (event) => {
    const step = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, 1], ArrowDown: [0, -1] }[event.key];
    if (!step) return;
    event.preventDefault();
    const from = state.cell ?? { i: grid.wide >> 1, j: grid.tall >> 1 };
    const far = event.shiftKey ? 10 : 1;
    chooseCell(clamp(from.i + far * step[0], 0, grid.wide - 1), clamp(from.j + far * step[1], 0, grid.tall - 1));
  });
}

function chooseCell(i, j) {
  state.cell = { i, j };
  drawPicture();
  document.body.dataset.settled = "no";
  moved(rest);
}
