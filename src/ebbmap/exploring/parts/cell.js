/* One cell of the map: its lungs in order of their margin, and one of them in full. */

/* What every lung of the population comes to in the chosen cell. */
let inCell = [];

/* The step of each setting that is tried from a cell. */
const STEPS = { p_high: 1, plateau_peep: 1, p_low: 1, t_high: 0.5, t_low: 0.05, t_low_in_time_constants: 0.05, fio2: 0.05, spontaneous_alveolar_ventilation: 0.5 };

/* The values of both axes in the chosen cell, and the settings there. */
function axesInCell() {
  const { i, j } = state.cell;
  return { [state.x.name]: placesOf(state.x)[i], [state.y.name]: placesOf(state.y)[j] };
}

/* The lung that is looked at: by its place between the worst margin and the best. */
function lungInCell() {
  return inCell[Math.round(state.number * (inCell.length - 1))];
}

let cellAsked = 0;

/* Everything about the chosen cell. */
async function drawCell() {
  if (!state.cell || !counts) return;
  cellAsked += 1;
  const mine = cellAsked;
  const lungs = await lungsInCell(questionNow(), axesInCell());
  if (mine !== cellAsked) return;
  const order = (lung) => (Number.isNaN(lung.margin) ? -99 : lung.margin);
  inCell = lungs
    .map(({ verdict, margin }, number) => ({ number, margin, safe: verdict <= 1 }))
    .sort((a, b) => order(a) - order(b));
  const safe = inCell.filter((lung) => lung.safe).length;
  const { i, j } = state.cell;
  const place = `${placeText(state.x, placesOf(state.x)[i])}, ${placeText(state.y, placesOf(state.y)[j])}`;
  by("cell_says").textContent = `At ${place}: ${safe} of ${page.count} lungs are safe (${Math.round((100 * safe) / page.count)}\u00a0%).`;
  by("cell_says").dataset.safe = safe;
  drawParallel();
  await drawLungInCell();
}

/* Times around a release that are drawn [s]. */
const SHOWN_TIMES = { from: -0.5, to: 2.5, points: 300 };

async function drawLungInCell() {
  const lung = lungInCell();
  const words = Number.isNaN(lung.margin) ? "no margin" : `margin ${say(lung.margin, 2)}`;
  by("which").value = state.number;
  by("which").setAttribute("aria-valuetext", `lung ${lung.number + 1}, ${words}`);
  by("which_text").textContent = `lung ${lung.number + 1}, ${words}`;
  const mine = cellAsked;
  const steps = stepsFromHere();
  const { from, to, points } = SHOWN_TIMES;
  const times = Array.from({ length: points + 1 }, (_, k) => from + ((to - from) * k) / points);
  const here = axesInCell();
  // both sides of every jump whose time is known
  for (const jump of [0, { ...settingsNow(), ...here }.t_low]) if (Number.isFinite(jump)) times.push(jump - 1e-6, jump + 1e-6);
  times.sort((a, b) => a - b);
  const answer = await oneLung(questionNow(), lung.number, [here, ...steps.map((step) => ({ ...here, [step.name]: step.after }))], times);
  if (mine !== cellAsked || lung !== lungInCell()) return;
  const [found, ...after] = answer.found;
  drawCycle(answer.values, found, times, answer.points);
  drawMargins(found);
  drawSteps(steps, after);
  const shown = Object.entries(page.shown).map(([name, { label, units, digits }]) => make("div", {}, make("dt", {}, label), make("dd", { "data-name": name, "data-value": found[name] }, say(found[name], digits, units))));
  by("lung_numbers").replaceChildren(...shown);
}

/* The cycle: pressure, flow and volume over true time. */
function drawCycle(values, found, times, points) {
  const place = by("cycle");
  if (page.stored) {
    place.textContent = "Curves are not stored.";
    return;
  }
  if (!points.length) {
    place.textContent = `The curves of the lung ${page.lung} are not in this page: ebbmap explore with a study serves them.`;
    return;
  }
  const width = Math.max(place.clientWidth, 200);
  const size = parseFloat(getComputedStyle(place).fontSize);
  const [left, right, high, gap] = [3.1 * size, width - 6, 5.2 * size, 1.7 * size];
  const { from, to } = SHOWN_TIMES;
  const x = (t) => left + ((right - left) * (t - from)) / (to - from);
  const peak = Math.max(found.peak_expiratory_flow || 1, 0.5) * 1.1;
  const rows = [
    ["pressure [cmH₂O]", "alveolar_pressure", 0, Math.max(values.p_high * 1.1, 30)],
    ["flow [L/s]", "flow", -peak, peak],
    ["volume [mL]", "volume", 0, Math.max(1000, found.end_high_volume * 1.1 || 1000)],
  ];
  const parts = [`<defs><clipPath id="clip">${box(left, 0, right - left, 999, "")}</clipPath></defs>`];
  rows.forEach(([title, signal, low, top], row) => {
    const up = 1.3 * size + row * (high + gap);
    const y = (v) => up + high - (high * (v - low)) / (top - low);
    parts.push(box(x(0), up, Math.min(x(values.t_low), right) - x(0), high, "release"));
    for (const t of ticks(low, top, 4)) parts.push(line(left, y(t), right, y(t), t === 0 ? "zero" : "grid"), words(left - 4, y(t) + 0.3 * size, String(t).replace("-", "−"), "end", "tick"));
    const lines = row ? "" : curve(points.map((p, k) => [x(times[k]), y(p.airway_pressure)]), "airway");
    parts.push(`<g clip-path="url(#clip)">${lines}${curve(points.map((p, k) => [x(times[k]), y(p[signal])]), "lung")}</g>`);
    parts.push(words(left, up - 0.35 * size, row ? title : `${title}: airway dashed, alveolar`, "start", "head"));
  });
  const foot = 1.3 * size + 3 * (high + gap) - gap + size;
  for (const t of ticks(from, to, 6)) parts.push(words(Math.min(x(t), right), foot, String(t).replace("-", "−"), x(t) > right - size ? "end" : "middle", "tick"));
  parts.push(words((left + right) / 2, foot + 1.2 * size, "seconds since the release began", "middle", "tick"));
  const height = foot + 1.7 * size;
  place.innerHTML = `<svg viewBox="0 0 ${width} ${height.toFixed(0)}" width="${width}" height="${height.toFixed(0)}" aria-hidden="true">${parts.join("")}</svg>`;
  place.setAttribute("aria-label", `Alveolar pressure ${say(found.end_high_pressure, 1)} falls to ${say(found.end_release_pressure, 1, "cmH₂O")} within ${values.t_low.toFixed(2)} s; ${say(found.release_volume, 0, "mL")} leave, ${say(found.trapped_volume, 0, "mL")} stay.`);
}

/* What binds: every hard limit with its margin, the nearest first. */
function drawMargins(found) {
  const rows = page.bounds
    .slice(0, page.hard)
    .filter(isOn)
    .map((b) => ({ ...b, margin: found[`margin_of_${b.name}`] }))
    .sort((a, b) => a.margin - b.margin)
    .map((b) => {
      const share = clamp(Math.abs(b.margin), 0, 1);
      const bar = make("span", { class: `bar ${b.margin < 0 ? "out" : "in"}` });
      bar.style.width = `${(100 * share).toFixed(0)}%`;
      return make("tr", { class: b.margin < 0 ? "out" : "" }, make("th", { scope: "row" }, `${b.margin < 0 ? "✗ " : ""}${limitWords(b)}`), make("td", {}, say(b.margin, 2)), make("td", { class: "bars", "aria-hidden": "true" }, bar));
    });
  by("margins").replaceChildren(make("caption", {}, "What binds: margin to each limit, in widths of the limit"), ...rows);
}

/* A limit in words, with the value that it has now. */
function limitWords(bound) {
  const value = Number(state.limits[bound.name].toPrecision(4));
  return `${bound.label} ${bound.side === "low" ? "at least" : "at most"} ${value}${bound.units && bound.units !== "1" ? ` ${bound.units}` : ""}`;
}

/* One step of each setting, up and down, from the chosen cell. */
function stepsFromHere() {
  const now = { ...settingsNow(), ...axesInCell() };
  if (page.stored) {
    return Object.entries(page.stored).flatMap(([name, places]) => {
      const k = nextTo(places, now[name]);
      return [k - 1, k + 1].filter((one) => one in places).map((one) => ({ name, before: now[name], after: places[one] }));
    });
  }
  return Object.keys(STEPS)
    .filter((name) => !hiddenSetting(name))
    .flatMap((name) => [-1, 1].map((sign) => ({ name, before: now[name], after: clamp(now[name] + sign * STEPS[name], page.sliders[name].low, page.sliders[name].high) })))
    .filter(({ before, after }) => before !== after);
}

function drawSteps(steps, found) {
  const rows = steps.map(({ name, before, after }, k) => {
    const { verdict, binding, margin, paco2, spo2 } = found[k];
    const digits = digitsOf(page.stored ? page.sliders[name].step : STEPS[name]);
    const then = verdict <= 1 ? "✓ safe" : `✗ ${verdict === 2 ? page.bounds[binding].label : "unknown"}`;
    const gases = [["paco2", paco2, 0], ["spo2", spo2, -1]].map(([own, value, places]) => make("td", {}, own in page.shown ? say(value, places) : "not stored"));
    return make("tr", {}, make("th", { scope: "row" }, `${page.sliders[name].label} ${say(before, digits)} → ${say(after, digits)}`), make("td", {}, then), make("td", {}, say(margin, 2)), ...gases);
  });
  const heads = ["one step", "then", "margin", "PaCO₂", "SpO₂"].map((h) => make("th", { scope: "col" }, h));
  by("steps").replaceChildren(make("caption", {}, page.stored ? "One stored place up and down each axis" : "One step of each setting"), make("tr", {}, ...heads), ...rows);
}

function startCell() {
  by("which").addEventListener("input", () => {
    state.number = Number(by("which").value);
    drawParallel();
    drawLungInCell();
    moved(() => goOnOrSettle());
  });
}
