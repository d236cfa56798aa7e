/* Verdict, strip of safe T low, numbers and tables of both lungs. */

/* The verdict on one lung: what is broken, or what is nearest. */
function drawVerdict(slot, shown) {
  const { found } = shown;
  const verdict = by(`verdict_${slot}`);
  const broken = brokenBounds(found);
  const hard = broken.filter((b) => b.hard);
  const warned = broken.filter((b) => !b.hard);
  const kind = hard.length ? "fails" : found.verdict === 3 ? "unknown" : "safe";
  verdict.className = `verdict ${kind}`;
  verdict.dataset.verdict = page.verdicts[found.verdict];
  verdict.dataset.margin = found.margin;
  const list = (many) => listed(many.map((b) => b.sentence));
  const says = {
    safe: `No limit on harm broken. Nearest: ${nearestBound(found)?.sentence ?? "none"}.`,
    fails: `Not safe: ${list(hard)}.`,
    unknown: "Cannot be judged.",
  }[kind];
  verdict.replaceChildren(make("b", {}, { safe: "✓ ", fails: "✗ ", unknown: "? " }[kind]), says);
  by(`warned_${slot}`).textContent = warned.length ? `Caution: ${list(warned)}.` : "";
}

/* The blood gases in one line above the curves. */
function drawGases(slot, shown) {
  const parts = ["paco2", "ph", "spo2"].map((name) => {
    const { label, digits, units } = page.readings[name];
    return make("span", {}, `${label} `, make("b", {}, say(shown.found[name], digits)), units && units !== "1" ? make("small", {}, ` ${units}`) : "");
  });
  by(`gases_${slot}`).replaceChildren(...parts);
}

/* The strip: where T low is safe for this lung at these settings. */
function drawStrip(slot, shown) {
  const figure = by(`strip_${slot}`);
  const width = Math.max(figure.clientWidth, 120);
  const size = parseFloat(getComputedStyle(figure).fontSize);
  const { low, high } = page.sliders.t_low;
  const [left, right] = [size, width - size];
  const x = (t) => left + ((right - left) * (t - low)) / (high - low);
  // T low itself moves no piece
  const pieces = remembered("pieces", { ...shown.values, t_low: null }, () => safePieces(shown.values));
  const text = pieces.length
    ? `safe T low ${listed(pieces.map(([a, b]) => `${a.toFixed(2)}–${b.toFixed(2)}`))} s`
    : "no T low is safe here";
  const parts = [words(left, size, text, "start", "head"), box(left, 1.4 * size, right - left, 0.9 * size, "strip")];
  for (const [a, b] of pieces) parts.push(box(x(a), 1.4 * size, Math.max(x(b) - x(a), 2), 0.9 * size, "strip_safe"));
  for (const t of ticks(low, high, width < 300 ? 4 : 8)) parts.push(words(x(t), 3.4 * size, String(t), "middle", "tick"));
  const now = x(clamp(shown.values.t_low, low, high));
  parts.push(line(now, 1.15 * size, now, 2.55 * size, "now"));
  const height = 3.7 * size;
  figure.innerHTML = `<svg viewBox="0 0 ${width} ${height.toFixed(0)}" width="${width}" height="${height.toFixed(0)}" aria-hidden="true">${parts.join("")}</svg>`;
  figure.setAttribute("aria-label", `${shown.label}: ${text}; T low is ${shown.values.t_low.toFixed(2)} s.`);
  by(`verdict_${slot}`).dataset.windows = JSON.stringify(pieces);
}

/* The numbers of both lungs, and of the frozen ones. */
function drawNumbers(shown, frozen) {
  const columns = SLOTS.flatMap((slot, k) => {
    const own = [{ head: shown[k].label, found: shown[k].found, slot }];
    return frozen ? [...own, { head: `${frozen[k].label}, frozen`, found: frozen[k].found, slot, old: true }] : own;
  });
  const head = make("tr", {}, make("th", { scope: "col" }, ""), ...columns.map((c) => make("th", { scope: "col", class: `of_${c.slot}${c.old ? " old" : ""}` }, c.head)));
  const rows = Object.entries(page.readings).map(([name, { label, units, digits }]) =>
    make(
      "tr",
      {},
      make("th", { scope: "row" }, label, make("small", {}, units && units !== "1" ? ` ${units}` : "")),
      ...columns.map((c) => make("td", { "data-name": name, "data-slot": c.slot + (c.old ? "_frozen" : ""), "data-value": c.found[name] }, say(c.found[name], digits))),
    ),
  );
  const rules = page.rules.map((rule) =>
    make(
      "tr",
      { class: "rule" },
      make("th", { scope: "row" }, `rule: ${page.readings[rule.name].label} ${100 * rule.low} to ${100 * rule.high} %`),
      ...columns.map((c) => make("td", {}, c.found[rule.name] >= rule.low && c.found[rule.name] <= rule.high ? "kept" : "not kept")),
    ),
  );
  by("numbers").replaceChildren(make("caption", {}, "What is computed for both lungs"), make("thead", {}, head), make("tbody", {}, ...rows, ...rules));
}

/* For screen readers: a sentence and a table of the curves. */
function describeCurves(slot, shown, points) {
  const { found, values, label } = shown;
  by(`curves_${slot}`).setAttribute(
    "aria-label",
    `${label}: in a release of ${values.t_low.toFixed(2)} s the alveolar pressure falls from ${say(found.end_high_pressure, 1)} to ` +
      `${say(found.end_release_pressure, 1, "cmH₂O")}, ${say(found.release_volume, 0, "mL")} leave and ${say(found.trapped_volume, 0, "mL")} stay; ` +
      `flow ends at ${say(found.flow_ratio, -1)} of its peak.`,
  );
  const times = VIEWS[state.view].from < 0 ? [-0.25, 0.001, 0.25, 0.5, 0.75, 1].map((s) => (s < 0.01 ? s : s * values.t_low)) : [];
  const rows = times.map((t) => {
    const p = pointAt(points, t);
    return make("tr", {}, ...[t.toFixed(2), p.airway_pressure.toFixed(1), p.alveolar_pressure.toFixed(1), p.flow.toFixed(2), p.volume.toFixed(0)].map((v) => make("td", {}, v)));
  });
  const heads = ["time since the release began [s]", "airway pressure [cmH₂O]", "alveolar pressure [cmH₂O]", "flow [L/s]", "volume [mL]"];
  by(`table_${slot}`).replaceChildren(make("caption", {}, `${label}: the curves as numbers`), make("tr", {}, ...heads.map((h) => make("th", { scope: "col" }, h))), ...rows);
}

/* What stands at the time that the reader points at. */
function drawPointed(shown, courses) {
  if (cursor === null) {
    by("pointed").textContent = "Point at a curve, or move this slider, to read its values.";
    return;
  }
  by("pointed").textContent = SLOTS.map((slot, k) => {
    const p = pointAt(courses[k], cursor);
    return `${shown[k].label} at ${cursor.toFixed(2)} s: airway ${p.airway_pressure.toFixed(1)}, alveolar ${p.alveolar_pressure.toFixed(1)} cmH₂O, flow ${say(p.flow, 2)} L/s, volume ${p.volume.toFixed(0)} mL`;
  }).join(". ");
}
