/* Tables of what a dear lung's solver finds: sums of products of Chebyshev polynomials, added up one
   side of the box after the other. What the solver never saw is the page's own formulas' work. */

/* Whole numbers that were sent as text. */
function stepsOf(text) {
  return new Int16Array(Uint8Array.from(atob(text), (c) => c.charCodeAt(0)).buffer);
}

/* Reads the table of one lung after another; NaN outside the box that was solved. */
class TableReader {
  constructor({ sides, names, steps, scales }) {
    this.sides = sides;
    this.names = names;
    this.steps = stepsOf(steps);
    this.scales = numbersOf(scales);
    const after = (place) => sides.slice(place + 1).reduce((size, side) => size * side.nodes, names.length);
    this.size = after(-1);
    this.sums = sides.map((_, place) => new Float64Array(after(place)));
    const ends = sides.map(({ low, high, logarithmic }) => (logarithmic ? [Math.log(low), Math.log(high)] : [low, high]));
    this.gain = ends.map(([low, high]) => 2 / (high - low));
    this.shift = ends.map(([low, high]) => -(low + high) / (high - low));
    this.last = new Float64Array(sides.length).fill(NaN);
    this.number = -1;
    this.found = new Float64Array(names.length);
  }

  /* Read a lung by number at values by name: what the solver would find, in `found`. */
  read(number, values) {
    // a side is added up anew only if it moved, or one before it
    let stale = number !== this.number;
    let inside = true;
    this.number = number;
    for (let place = 0; place < this.sides.length; place++) {
      const { name, logarithmic } = this.sides[place];
      const value = name === "drop" ? values.p_high - values.p_low : values[name];
      const share = (logarithmic ? Math.log(value) : value) * this.gain[place] + this.shift[place];
      if (!(Math.abs(share) <= 1 + 1e-9)) inside = false;
      stale ||= share !== this.last[place];
      if (stale) this.add(place, share);
    }
    const sum = this.sums[this.sides.length - 1];
    for (let k = 0; k < sum.length; k++) this.found[k] = inside ? sum[k] * this.scales[number * sum.length + k] : NaN;
    return this.found;
  }

  /* Add up the polynomials of one side. */
  add(place, share) {
    this.last[place] = share;
    const sum = this.sums[place];
    const [from, first] = place ? [this.sums[place - 1], 0] : [this.steps, this.number * this.size];
    let [before, now] = [share, 1];
    sum.fill(0);
    for (let node = 0, start = first; node < this.sides[place].nodes; node++, start += sum.length) {
      for (let k = 0; k < sum.length; k++) sum[k] += now * from[start + k];
      [before, now] = [now, node ? 2 * share * now - before : share];
    }
  }
}

/* Values with what their table says; as they are where the page's formulas need none. */
function tabled(values) {
  if (!values.table) return values;
  const { reader, number } = values.table;
  const found = reader.read(number, values);
  const full = { ...values };
  reader.names.forEach((name, k) => { full[name] = found[k]; });
  return full;
}

/* How near a table is to the solver, outcome by outcome. */
function nearTable({ errors, says }, label) {
  const digits = (value) => Number(value.toPrecision(2)).toString();
  const rows = errors.map(({ label: name, units, usual, worst }) => make("tr", {}, make("th", { scope: "row" }, name, make("small", {}, units && units !== "1" ? ` ${units}` : "")), make("td", {}, digits(usual)), make("td", {}, digits(worst))));
  const heads = ["outcome", "95 % are off by at most", "the worst"].map((text) => make("th", { scope: "col" }, text));
  return make("table", {}, make("caption", {}, `${label}: ${says}`), make("tr", {}, ...heads), ...rows);
}
