/* All lungs of the chosen cell side by side, one line each through its properties: brush some, and
   see which properties put lungs outside. */

/* Properties that vary and count, in the order in which they set apart lungs outside from safe ones. */
function ranked() {
  const columns = groups[state.group].columns;
  const names = Object.keys(columns).filter((name) => page.inputs.includes(name) && name !== state.x.name && name !== state.y.name);
  const safe = inCell.filter((lung) => lung.safe);
  const outside = inCell.filter((lung) => !lung.safe);
  return names
    .map((name) => {
      const column = columns[name];
      const higher = pairsHigher(outside.map((l) => column[l.number]), safe.map((l) => column[l.number]));
      const sorted = [...column].sort((a, b) => a - b);
      return { name, column, higher, low: sorted[0], high: sorted.at(-1), apart: Math.abs(higher - 0.5), safe: middle(safe, column), outside: middle(outside, column) };
    })
    .filter(({ low, high }) => high > low)
    .sort((a, b) => b.apart - a.apart);
}

/* Of all pairs of one lung outside and one safe, the share in which the one outside has more. */
function pairsHigher(outside, safe) {
  if (!outside.length || !safe.length) return 0.5;
  let sum = 0;
  for (const a of outside) for (const b of safe) sum += a > b ? 1 : a === b ? 0.5 : 0;
  return sum / (outside.length * safe.length);
}

function middle(lungs, column) {
  const sorted = lungs.map((l) => column[l.number]).sort((a, b) => a - b);
  return sorted.length ? sorted[sorted.length >> 1] : NaN;
}

/* Lungs within every brush. */
function brushed() {
  const columns = groups[state.group].columns;
  const brushes = Object.entries(state.brush);
  return Array.from({ length: page.count }, (_, k) => spread(k)).filter((number) => brushes.every(([name, [low, high]]) => columns[name][number] >= low && columns[name][number] <= high));
}

let axesShown = [];

function drawParallel() {
  // no property of these lungs is known that tells them apart
  if (by("many").hidden) return;
  const place = by("parallel");
  const width = Math.max(place.clientWidth, 200);
  const size = parseFloat(getComputedStyle(place).fontSize);
  axesShown = ranked().slice(0, clamp(Math.floor(width / (7 * size)), 3, 9));
  const [left, right, top, high] = [3.4 * size, width - 3.4 * size, 4.5 * size, 11 * size];
  const x = (k) => left + ((right - left) * k) / Math.max(axesShown.length - 1, 1);
  const y = ({ low, high: most }, v) => top + high - (high * (v - low)) / (most - low);
  const chosen = new Set(brushed());
  const brushing = Object.keys(state.brush).length > 0;
  const looked = lungInCell().number;
  const path = (number) => axesShown.map((axis, k) => [x(k), y(axis, axis.column[number])]);
  const kind = (lung) => `${lung.safe ? "safe" : "outside"}${brushing && !chosen.has(lung.number) ? " away" : ""}`;
  const parts = inCell.map((lung) => curve(path(lung.number), kind(lung)));
  parts.push(curve(path(looked), "looked"));
  axesShown.forEach((axis, k) => {
    const entry = page.properties[axis.name];
    parts.push(line(x(k), top, x(k), top + high, "axis"));
    splitWords(entry.label, 12).forEach((text, row) => parts.push(words(x(k), size * (1 + 1.05 * row), text, "middle", "head")));
    const digits = axis.high < 2 ? 2 : axis.high < 20 ? 1 : 0;
    parts.push(words(x(k), top - 0.3 * size, say(axis.high, digits), "middle", "tick"), words(x(k), top + high + size, say(axis.low, digits), "middle", "tick"));
    const brush = state.brush[axis.name];
    if (brush) parts.push(box(x(k) - 6, y(axis, Math.min(brush[1], axis.high)), 12, y(axis, Math.max(brush[0], axis.low)) - y(axis, Math.min(brush[1], axis.high)), "brush"));
  });
  const height = top + high + 1.6 * size;
  place.innerHTML = `<svg viewBox="0 0 ${width} ${height.toFixed(0)}" width="${width}" height="${height.toFixed(0)}" aria-hidden="true">${parts.join("")}</svg>`;
  Object.assign(place.dataset, { left, right, top, high });
  describeLungs(chosen, brushing);
}

function splitWords(text, most) {
  const rows = [""];
  for (const word of text.split(" ")) {
    if (`${rows.at(-1)} ${word}`.trim().length > most && rows.at(-1) && rows.length < 3) rows.push(word);
    else rows[rows.length - 1] = `${rows.at(-1)} ${word}`.trim();
  }
  return rows;
}

/* What sets lungs outside apart, in words and as a table. */
function describeLungs(chosen, brushing) {
  const outside = inCell.filter((lung) => !lung.safe).length;
  const [first] = axesShown;
  const side = (axis) => (axis.higher >= 0.5 ? `higher in ${(100 * axis.higher).toFixed(0)} %` : `lower in ${(100 * (1 - axis.higher)).toFixed(0)} %`);
  const apart = !outside ? "All lungs are safe here." : outside === page.count ? "No lung is safe here, so nothing sets any apart." : `Of ${outside} lungs outside: ${page.properties[first.name].label} sets them apart most, ${side(first)} of all pairs with a safe lung.`;
  const among = inCell.filter((lung) => chosen.has(lung.number));
  const safeAmong = among.filter((lung) => lung.safe).length;
  const rest = inCell.filter((lung) => lung.safe).length - safeAmong;
  const brushWords = brushing ? ` Brushed: ${among.length} lungs, ${safeAmong} of them safe; of the other ${page.count - among.length}, ${rest}.` : "";
  by("parallel_says").textContent = apart + brushWords;
  by("parallel").setAttribute("aria-label", `Lungs by their properties. ${apart}${brushWords}`);
  const digits = (v) => (v < 2 ? 2 : v < 20 ? 1 : 0);
  const rows = axesShown.map((axis) => make("tr", {}, make("th", { scope: "row" }, page.properties[axis.name].label), ...[axis.safe, axis.outside].map((v) => make("td", {}, Number.isFinite(v) ? say(v, digits(v)) : "–")), make("td", {}, side(axis))));
  const heads = ["property", "middle safe lung", "middle lung outside", "outside has more or less, of pairs"].map((h) => make("th", { scope: "col" }, h));
  by("parallel_table").replaceChildren(make("caption", {}, "Which properties put lungs outside"), make("tr", {}, ...heads), ...rows);
  showBrushControls();
}

/* Set or take away a brush, and draw what follows. */
function setBrush(name, range) {
  if (range) state.brush[name] = range;
  else delete state.brush[name];
  drawParallel();
  if (state.onlyBrushed) ask();
  else moved(() => goOnOrSettle());
}

function showBrushControls() {
  const choice = by("brush_on");
  const names = axesShown.map((axis) => axis.name);
  if ([...choice.options].map((o) => o.value).join() !== names.join()) {
    const kept = choice.value;
    choice.replaceChildren(...names.map((name) => make("option", { value: name }, page.properties[name].label)));
    if (names.includes(kept)) choice.value = kept;
  }
  const axis = axesShown.find((one) => one.name === choice.value);
  if (!axis) return;
  const [low, high] = state.brush[axis.name] ?? [axis.low, axis.high];
  for (const [id, value] of [["brush_low", low], ["brush_high", high]]) {
    Object.assign(by(id), { min: axis.low, max: axis.high, step: (axis.high - axis.low) / 200 });
    by(id).value = value;
    by(id).setAttribute("aria-valuetext", say(value, 2));
  }
}

/* Brush by dragging along an axis, or by the two sliders. */
function startParallel() {
  const place = by("parallel");
  let drag = null;
  const valueAt = (event, axis) => {
    const { top, high } = place.dataset;
    const share = 1 - (event.clientY - place.getBoundingClientRect().top - top) / high;
    return axis.low + clamp(share, 0, 1) * (axis.high - axis.low);
  };
  place.addEventListener("pointerdown", (event) => {
    const { left, right } = place.dataset;
    const share = (event.clientX - place.getBoundingClientRect().left - left) / (right - left);
    const axis = axesShown[clamp(Math.round(share * (axesShown.length - 1)), 0, axesShown.length - 1)];
    if (!axis) return;
    drag = { axis, from: valueAt(event, axis) };
    place.setPointerCapture(event.pointerId);
  });
  place.addEventListener("pointermove", (event) => {
    if (!drag) return;
    const to = valueAt(event, drag.axis);
    const range = [Math.min(drag.from, to), Math.max(drag.from, to)];
    setBrush(drag.axis.name, range[1] - range[0] > 0.02 * (drag.axis.high - drag.axis.low) ? range : null);
  });
  for (const end of ["pointerup", "pointercancel"]) place.addEventListener(end, () => { drag = null; });
  by("brush_on").addEventListener("change", showBrushControls);
  for (const id of ["brush_low", "brush_high"]) {
    by(id).addEventListener("input", () => {
      const [a, b] = [Number(by("brush_low").value), Number(by("brush_high").value)];
      setBrush(by("brush_on").value, [Math.min(a, b), Math.max(a, b)]);
    });
  }
  by("brush_none").addEventListener("click", () => { state.brush = {}; drawParallel(); if (state.onlyBrushed) ask(); });
  by("only").addEventListener("change", () => { state.onlyBrushed = by("only").checked; ask(); });
}
