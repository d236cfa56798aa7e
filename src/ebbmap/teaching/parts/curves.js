/* Pressure, flow and volume of one lung, in true time and on axes that never change. */

/* What part of time is shown: around a release, some whole cycles, or the first minute. */
const VIEWS = {
  release: { from: -0.5, to: 2.5, words: "seconds since the release began" },
  cycles: { from: 0, to: 16, words: "seconds, whole cycles" },
  start: { from: 0, to: 40, words: "seconds since the mode began, from rest at 5 cmH₂O" },
};

const PANELS = [
  { name: "pressure", title: "pressure [cmH₂O]", signal: "alveolar_pressure" },
  { name: "flow", title: "flow [L/s]", signal: "flow" },
  { name: "volume", title: "volume [mL]", signal: "volume" },
];

/* Pressures that only some lungs have, drawn beside the others; each named where it is clearest. */
const BESIDE = { alveolar_pressure_slow: "part", muscle_pressure: "muscle" };

/* Times within a phase, close together where it begins. */
function phaseTimes(from, to, count) {
  return Array.from({ length: count }, (_, k) => from + (to - from) * (k / (count - 1)) ** 2);
}

/* The course of a lung over a view: points with time and signals. Cycles differ only at the start. */
function courseOf(values, view) {
  return remembered(`course of ${view}`, values, () => followCourse(values, view));
}

function followCourse(values, view) {
  const { from, to } = VIEWS[view];
  const period = values.t_high + values.t_low;
  const shift = view === "release" ? values.t_high : 0;
  const clear = 1e-9 * period;
  const points = [];
  let state = view === "start" ? stateAtRest(Math.max(values.p_low, REST_PRESSURE), values) : stateSettled(values);
  for (let begun = -shift - (shift ? Math.ceil((-from - shift) / period) * period : 0); begun < to; begun += period) {
    const times = [
      ...phaseTimes(0, values.t_high - clear, 60),
      ...phaseTimes(values.t_high + clear, period - clear, 40),
    ].filter((t) => begun + t >= from - 0.2 && begun + t <= to + 0.2);
    signalsAlong(values, state, times).forEach((point, k) => points.push({ time: begun + times[k], ...point }));
    if (view === "start" || breathes(values)) state = stateAfter(values, state);
  }
  return points;
}

/* The pressure before the mode begins, for the first cycles [cmH2O]. */
const REST_PRESSURE = 5;

/* A release that goes on: what the flow would have been. */
function goesOn(values, view) {
  if (view !== "release") return [];
  return remembered("goes on", values, () => goOnFrom(values));
}

function goOnFrom(values) {
  const times = Array.from({ length: 60 }, (_, k) => values.t_low + ((VIEWS.release.to - values.t_low) * k) / 59);
  const state = stateSettled(values);
  return signalsAlong(values, state, times.map((t) => values.t_high + t)).map((p, k) => ({ time: times[k], ...p }));
}

/* Draw one lung into its figure. */
function drawLung(slot, shown, frozen, view, until = Infinity) {
  const figure = by(`curves_${slot}`);
  const width = Math.max(figure.clientWidth, 120);
  const narrow = width < 300;
  const size = parseFloat(getComputedStyle(figure).fontSize);
  const rowHeight = panelHeight(narrow);
  const left = size * (narrow ? 2.5 : 3.1);
  const right = width - (narrow ? 3 : 8);
  const gap = size * 1.75;
  const top = size * 1.6;
  const { from, to, words: unit } = VIEWS[view];
  const x = (t) => left + ((right - left) * (t - from)) / (to - from);
  const parts = [`<defs><clipPath id="clip_${slot}">${box(left, 0, right - left, 3 * (rowHeight + gap) + top, "")}</clipPath></defs>`];
  const points = courseOf(shown.values, view).filter((p) => p.time <= until);
  const ghost = frozen ? courseOf(frozen.values, view) : [];
  PANELS.forEach((panel, row) => {
    const [low, high] = page.frame[panel.name];
    const up = top + row * (rowHeight + gap);
    const y = (v) => up + rowHeight - (rowHeight * (v - low)) / (high - low);
    const place = { x, y, left, right, up, down: up + rowHeight, size, narrow };
    parts.push(releaseShade(shown.values, view, place, row === 0));
    for (const t of ticks(low, high, narrow ? 3 : 4)) {
      parts.push(line(left, y(t), right, y(t), t === 0 ? "zero" : "grid"), words(left - 4, y(t) + 0.35 * size, String(t).replace("-", "−"), "end", "tick"));
    }
    const inner = [];
    if (panel.name === "flow") inner.push(flowZone(shown, view, place));
    if (panel.name === "volume") inner.push(gasThatStays(shown, view, place));
    if (panel.name === "pressure") {
      inner.push(curve(points.map((p) => [x(p.time), y(p.airway_pressure)]), "airway"));
      for (const [name, kind] of Object.entries(BESIDE)) if (points.length && name in points[0]) inner.push(curve(points.map((p) => [x(p.time), y(p[name])]), kind));
    }
    if (ghost.length) inner.push(curve(ghost.map((p) => [x(p.time), y(p[panel.signal])]), "frozen"));
    inner.push(curve(points.map((p) => [x(p.time), y(p[panel.signal])]), "lung"));
    parts.push(`<g clip-path="url(#clip_${slot})">${inner.join("")}</g>`);
    parts.push(words(left, up - 0.45 * size, panel.title, "start", "head"));
    if (panel.name === "pressure") parts.push(pressureNames(shown, points, view, place));
  });
  const foot = top + 3 * (rowHeight + gap) - gap + 1.1 * size;
  for (const t of ticks(from, to, narrow ? 4 : 8)) parts.push(words(Math.min(x(t), right), foot, String(t).replace("-", "−"), x(t) > right - size ? "end" : "middle", "tick"));
  parts.push(words((left + right) / 2, foot + 1.25 * size, narrow ? "s" : unit, "middle", "tick"));
  parts.push(cursorLine(points, x, top, foot - 1.1 * size));
  const height = foot + 1.7 * size;
  figure.innerHTML = `<svg viewBox="0 0 ${width} ${height.toFixed(0)}" width="${width}" height="${height.toFixed(0)}" aria-hidden="true" data-left="${left}" data-right="${right}">${parts.join("")}</svg>`;
  return points;
}

/* How high a panel is: what the window leaves, within reason [px]. */
function panelHeight(narrow) {
  if (window.innerWidth < 700) return clamp((window.innerHeight - 500) / 4.4, 60, 92);
  return clamp((window.innerHeight - 470) / 3, 96, narrow ? 130 : 230);
}

/* The time of the release as a band behind the curves, and how long it is. */
function releaseShade(values, view, at, named) {
  const period = values.t_high + values.t_low;
  const first = view === "release" ? 0 : values.t_high;
  const parts = [];
  for (let begun = first; begun < VIEWS[view].to; begun += period) {
    parts.push(box(at.x(begun), at.up, Math.min(at.x(begun + values.t_low), at.right) - at.x(begun), at.down - at.up, "release"));
  }
  if (named && view === "release") parts.push(words(at.x(0) + 3, at.up + 0.8 * at.size, `T low ${values.t_low.toFixed(2)} s`, "start", "head"));
  return parts.join("");
}

/* The two pressures by name, on their lines. */
function pressureNames(shown, points, view, at) {
  if (view !== "release") return "";
  const { values, found } = shown;
  const high = clamp(at.y(values.p_high) - 0.35 * at.size, at.up + 0.9 * at.size, at.down);
  const airway = words(at.x(VIEWS.release.to) - 4, high, "airway", "end", "airway_name");
  const time = Math.min(values.t_low + 0.06, 1.7);
  const beside = besideNames(points, at);
  const middle = 0.5 * (found.end_release_pressure + Math.min(values.p_high, found.end_high_pressure));
  return beside + airway + words(at.x(time + 0.2), at.y(middle) + at.size, "alveolar", "start", "lung_name");
}

/* Names of what only some lungs have: of the slow compartment, which hardly feels the release, and of
   the muscles, above their line. */
function besideNames(points, at) {
  if (!points.length || at.narrow) return "";
  const end = pointAt(points, 2.45);
  const parts = [];
  if ("muscle_pressure" in end && Math.max(...points.map((p) => p.muscle_pressure)) > 0) {
    const top = points.reduce((best, p) => (p.time > 0.7 && p.muscle_pressure > best.muscle_pressure ? p : best), points[0]);
    parts.push(words(at.x(clamp(top.time, 0, 2)), at.y(top.muscle_pressure) - 0.3 * at.size, "muscles", "start", "part_name"));
  }
  if ("alveolar_pressure_slow" in end) {
    parts.push(words(at.x(2.45), at.y(end.alveolar_pressure_slow) + 1.35 * at.size, "slow part", "end", "part_name"));
  }
  return parts.join("");
}

/* 50 to 75 % of the peak of expiratory flow, and how the release would have gone on. */
function flowZone(shown, view, at) {
  if (view !== "release") return "";
  const peak = shown.found.peak_expiratory_flow;
  const rest = goesOn(shown.values, view);
  const zone = box(at.x(0), at.y(-0.5 * peak), at.right - at.x(0), at.y(-0.75 * peak) - at.y(-0.5 * peak), "zone");
  const name = words(at.right - 3, at.y(-0.75 * peak) + 1.05 * at.size, at.narrow ? "50–75 %" : "50 to 75 % of peak flow", "end", "zone_name");
  return zone + curve(rest.map((p) => [at.x(p.time), at.y(p.flow)]), "goes_on") + name;
}

/* The gas that never leaves: a band as high as what a release leaves above P low. */
function gasThatStays(shown, view, at) {
  const { end_high_volume: full, release_volume: out, trapped_volume: kept } = shown.found;
  if (view === "start" || !Number.isFinite(kept)) return "";
  const end = full - out;
  const from = view === "release" ? at.x(0) : at.left;
  const band = box(from, at.y(end), at.right - from, at.y(end - kept) - at.y(end), "stays");
  const text = at.narrow ? `stays ${kept.toFixed(0)}` : `gas that stays: ${kept.toFixed(0)} mL`;
  return band + words(at.right - 3, Math.min(at.y(end - 0.5 * kept) + 0.35 * at.size, at.down - 3), text, "end", "stays_name");
}

/* Where the reader points: a line, and a dot on nothing, for the numbers stand below. */
function cursorLine(points, x, top, bottom) {
  return cursor === null || !points.length ? "" : line(x(cursor), top, x(cursor), bottom, "cursor");
}

/* The time that the reader points at, shared by both lungs; null where none is. */
let cursor = null;

/* The point of a course that is nearest to a time. */
function pointAt(points, time) {
  return points.reduce((best, p) => (Math.abs(p.time - time) < Math.abs(best.time - time) ? p : best), points[0]);
}

/* Point with the mouse or a finger; the slider below does the same by keys. */
function startPointing() {
  for (const slot of SLOTS) {
    const figure = by(`curves_${slot}`);
    figure.addEventListener("pointermove", (event) => {
      const svg = figure.querySelector("svg");
      const { left, right } = svg.dataset;
      const { from, to } = VIEWS[state.view];
      const share = (event.clientX - svg.getBoundingClientRect().left - left) / (right - left);
      point(clamp(from + share * (to - from), from, to));
    });
  }
  by("read_at").addEventListener("input", () => point(Number(by("read_at").value)));
}

function point(time) {
  cursor = time;
  by("read_at").value = time;
  draw();
}
