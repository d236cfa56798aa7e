/* Lungs and what the traced formulas say of them. No formula is written here. */

const given = new Float64Array(SOLVE_INPUTS.length);
const result = new Float64Array(SOLVE_OUTPUTS.length);
const bounds = page.bounds;

/* Call a traced function with values by name; results by name. */
function call(run, inputs, outputs, values) {
  const at = Float64Array.from(inputs, (name) => values[name]);
  const out = new Float64Array(outputs.length);
  run(at, out);
  return Object.fromEntries(outputs.map((name, k) => [name, out[k]]));
}

/* Everything of a lung at settings: defaults, the lung's own, the settings, the limits. */
function caseOf(lung, settings) {
  const values = { ...page.defaults, ...lung.values, ...settings };
  for (const bound of bounds) values[bound.name] = bound.value;
  return values;
}

/* All outcomes, verdict and margins of a case. */
function solved(values) {
  return call(solve, SOLVE_INPUTS, SOLVE_OUTPUTS, tabled(values));
}

/* Whether a case breaks no hard limit, for many cases that differ in T low only. */
function safeAt(values, times) {
  const verdict = SOLVE_OUTPUTS.indexOf("verdict");
  const moving = { ...values };
  return times.map((t) => {
    moving.t_low = t;
    const full = tabled(moving);
    for (let k = 0; k < SOLVE_INPUTS.length; k++) given[k] = full[SOLVE_INPUTS[k]];
    solve(given, result);
    return result[verdict] <= 1;
  });
}

/* Pieces of safe T low over its slider, each end found to a thousandth of a second. */
function safePieces(values) {
  const { low, high } = page.sliders.t_low;
  const times = Array.from({ length: 241 }, (_, k) => low + ((high - low) * k) / 240);
  const safe = safeAt(values, times);
  const pieces = [];
  safe.forEach((ok, k) => {
    if (ok && !safe[k - 1]) pieces.push([k ? edge(values, times[k - 1], times[k]) : low, high]);
    if (!ok && safe[k - 1]) pieces.at(-1)[1] = edge(values, times[k], times[k - 1]);
  });
  return pieces;
}

/* The edge between a T low that is not safe and one that is. */
function edge(values, bad, good) {
  while (Math.abs(good - bad) > 1e-4) {
    const middle = 0.5 * (good + bad);
    if (safeAt(values, [middle])[0]) good = middle;
    else bad = middle;
  }
  return good;
}

/* Hard limits that are broken, worst first, and caution limits that are. */
function brokenBounds(found) {
  const broken = bounds.map((bound, k) => ({ ...bound, hard: k < page.hard, margin: found[`margin_of_${bound.name}`] }));
  return broken.filter((b) => b.margin < 0).sort((a, b) => a.margin - b.margin);
}

/* The hard limit that is nearest. */
function nearestBound(found) {
  return found.binding >= 0 ? bounds[found.binding] : null;
}
