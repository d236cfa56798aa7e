/* The lungs: their properties as columns of numbers. */

const groups = Object.fromEntries(
  Object.entries(page.groups).map(([name, group]) => [
    name,
    {
      ...group,
      fair: numbersOf(group.fair),
      draws: drawsOf(group.draws),
      reader: group.table ? new TableReader(group.table) : null,
      columns: Object.fromEntries(Object.entries(group.columns).map(([key, text]) => [key, numbersOf(text)])),
    },
  ]),
);

/* Scores of lungs, how they hang together, and the functions that make properties of them. */
function drawsOf(draws) {
  if (!draws) return null;
  const places = Object.fromEntries(Object.entries(draws.places).map(([name, text]) => [name, numbersOf(text)]));
  const marginals = draws.marginals.map((name) => MARGINALS[name]);
  return { ...draws, scores: numbersOf(draws.scores), covariance: numbersOf(draws.covariance), places, marginals };
}

/* Places of the axes, evenly spaced, both ends included. */
function placesOf(axis) {
  return Float64Array.from({ length: page.cells }, (_, k) => axis.from + ((axis.to - axis.from) * k) / (page.cells - 1));
}

/* All that a lung has at the settings of a question, by name; limits too. `held` are properties by
   the number of their place on an axis: the others are then drawn given these. */
function lungValues(question, number, held = {}) {
  const group = groups[question.group];
  const unused = Object.fromEntries(Object.keys(page.through).map((name) => [name, NaN]));
  const values = { ...page.defaults, ...page.held, ...unused, ...question.settings, ...question.limits };
  Object.assign(values, ownValues(question, number, held));
  if (group.reader) values.table = { reader: group.reader, number };
  return values;
}

/* The lung's own properties among these, and whether it is `fair`. */
function ownValues(question, number, held) {
  const group = groups[question.group];
  const { values: drawn, fair } = drawnGiven(group, number, held);
  const values = { fair };
  for (const name in group.columns) {
    const value = drawn[name] ?? group.columns[name][number];
    const factor = question.factors[name] ?? 1;
    values[name] = factor === 1 ? value : clamp(value * factor, page.properties[name].low, page.properties[name].high);
  }
  return values;
}

/* Properties on the axes of a question that a population's lungs are drawn with. */
function heldAxes(question) {
  const { draws } = groups[question.group];
  return [question.x, question.y].filter(({ name }) => draws?.names.includes(name));
}

/* Properties that stay as they were drawn although one on an axis hangs together with them: those
   that a table holds, and all where no formula says how they hang together. */
function leftAsDrawn(question) {
  const { draws, columns } = groups[question.group];
  const onAxis = [question.x.name, question.y.name].filter((name) => name in columns);
  if (!onAxis.length) return [];
  const others = Object.keys(columns).filter((name) => !onAxis.includes(name) && page.inputs.includes(name));
  if (!draws) return others;
  const size = draws.names.length;
  const tied = (one, other) => Math.abs(draws.covariance[draws.names.indexOf(one) * size + draws.names.indexOf(other)]) > 1e-12;
  return others.filter((name) => page.tabled.includes(name) && onAxis.some((axis) => tied(axis, name)));
}

/* Properties of a lung given some held at places of their axes: its scores move with theirs, as in
   the map of a study. Whether all that was drawn lies within the registry's bounds. */
function drawnGiven(group, number, held) {
  const { draws } = group;
  const names = Object.keys(held);
  if (!draws || !names.length) return { values: {}, fair: group.fair[number] === 1 };
  const size = draws.names.length;
  const at = names.map((name) => draws.names.indexOf(name));
  const own = (k) => draws.scores[number * size + k];
  const moved = names.map((name, k) => draws.places[name][held[name]] - own(at[k]));
  const shares = solvedFor(at.map((i) => at.map((k) => draws.covariance[i * size + k])), moved);
  const values = {};
  let fair = shares.every(Number.isFinite);
  draws.names.forEach((name, k) => {
    if (name in held) return;
    if (page.tabled.includes(name)) return;
    const score = at.reduce((sum, i, place) => sum + shares[place] * draws.covariance[i * size + k], own(k));
    scoreIn[0] = score;
    draws.marginals[k](scoreIn, drawnOut);
    const { low, high } = page.properties[name];
    const inside = drawnOut[0] >= low && drawnOut[0] <= high;
    fair &&= inside;
    values[name] = inside ? drawnOut[0] : page.defaults[name];
  });
  return { values, fair };
}

const scoreIn = new Float64Array(1);
const drawnOut = new Float64Array(1);

/* The solution of one equation or two. */
function solvedFor(matrix, right) {
  if (right.length === 1) return [right[0] / matrix[0][0]];
  const [[a, b], [c, d]] = matrix;
  const whole = a * d - b * c;
  return [(d * right[0] - b * right[1]) / whole, (a * right[1] - c * right[0]) / whole];
}

/* Set through another: a setting that each lung has its own value of. */
function derive(values) {
  for (const [trigger, { target, inputs }] of Object.entries(page.through)) {
    if (!Number.isFinite(values[trigger])) continue;
    derivedIn.fill(0);
    inputs.forEach((name, k) => { derivedIn[k] = values[name]; });
    DERIVE[target](derivedIn, derivedOut);
    values[target] = derivedOut[0];
  }
  return values;
}

const DERIVE = { p_high: derive_p_high, t_low: derive_t_low };
const derivedIn = new Float64Array(16);
const derivedOut = new Float64Array(1);
