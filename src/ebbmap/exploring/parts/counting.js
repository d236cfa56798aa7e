/* Counting lungs in every cell of the map: first a draft from the cells where verdicts change, then
   every cell. Work is cut into slices, so that the hand never waits. */

/* How long a slice of work may last [ms]: what is left of a tenth of a second goes to drawing. */
const SLICE = 55;

/* Steps of the draft's first look; blocks whose corners agree are taken as one. */
const COARSE = 9;

/* Blocks of the draft are no smaller than this: its edges are right to a cell. */
const FINE = 2;

/* Codes of a cell: a hard limit's number where it is broken most, and these, which follow. */
const SAFE_CODE = page.hard;
const UNKNOWN_CODE = page.hard + 1;
const UNSEEN = 127;

/* A counter for one question: `work` goes on for a while and says whether anything is left. */
class Counter {
  constructor(question) {
    this.question = question;
    this.size = page.cells;
    this.xs = placesOf(question.x);
    this.ys = placesOf(question.y);
    this.lungs = question.lungs ?? Array.from({ length: page.count }, (_, k) => spread(k));
    this.at = new Float64Array(JUDGED_INPUTS.length);
    this.out = new Float64Array(JUDGED_OUTPUTS.length);
    this.codes = new Int8Array(this.size * this.size);
    this.place = Object.fromEntries(JUDGED_INPUTS.map((name, k) => [name, k]));
    // where both axes lie among the inputs; an axis that is followed is none of them
    this.across = this.place[question.x.name] ?? -1;
    this.up = this.place[question.y.name] ?? -1;
    this.stage = "draft";
    this.clear();
  }

  clear() {
    // one array for all codes, one after the other, for this is added to in every cell of every lung
    const cells = this.size * this.size;
    this.counts = new Uint16Array((UNKNOWN_CODE + 1) * cells);
    const [safe, unknown, ...broken] = [SAFE_CODE, UNKNOWN_CODE, ...Array(page.hard).keys()].map((code) => this.counts.subarray(code * cells, (code + 1) * cells));
    Object.assign(this, { safe, unknown, broken });
    this.counted = 0;
  }

  /* Work for a slice of time; false when all is done. A draft is shown until the count of every
     cell is whole. */
  work(milliseconds = SLICE) {
    const end = performance.now() + milliseconds;
    while (performance.now() < end) {
      if (this.counted === this.lungs.length) {
        if (this.stage === "whole") return false;
        if (this.question.draftOnly) return false;
        this.draft = { safe: this.safe, unknown: this.unknown, broken: this.broken, counted: this.counted };
        this.stage = "whole";
        this.clear();
      }
      this.countLung(this.lungs[this.counted]);
    }
    return true;
  }

  /* What there is to show: the draft until the whole is there. */
  get shown() {
    return this.stage === "whole" && this.counted < this.lungs.length ? this.draft : this;
  }

  get done() {
    return this.stage === "whole" && this.counted === this.lungs.length;
  }

  countLung(number) {
    this.prepare(number);
    this.codes.fill(UNSEEN);
    if (this.stage === "whole") for (let k = 0; k < this.codes.length; k++) this.code(k % this.size, Math.floor(k / this.size));
    else this.look();
    const { codes, counts } = this;
    for (let cell = 0; cell < codes.length; cell++) counts[codes[cell] * codes.length + cell] += 1;
    this.counted += 1;
  }

  /* Lay a lung's values out as the traced function wants them. */
  prepare(number) {
    this.held = heldAxes(this.question);
    this.rows = new Map();
    this.own = Object.keys(groups[this.question.group].columns).filter((name) => name in this.place).map((name) => [name, this.place[name]]);
    this.values = derive(lungValues(this.question, number));
    this.fair = this.values.fair;
    JUDGED_INPUTS.forEach((name, k) => { this.at[k] = this.values[name]; });
    this.reader = groups[this.question.group].reader;
    this.number = number;
    const { x, y } = this.question;
    // where an axis is what a setting follows from, that is followed in every cell
    this.follows = Object.values(page.through).some(
      ({ inputs }, k) => Number.isFinite(this.values[Object.keys(page.through)[k]]) && (this.held.length || inputs.includes(x.name) || inputs.includes(y.name)),
    );
  }

  /* Take the properties that the lung is drawn with given those on the axes of a cell. */
  redraw(i, j) {
    const { x } = this.question;
    const both = this.held.length > 1;
    const along = this.held[0].name === x.name ? i : j;
    const place = both ? j * this.size + i : along;
    if (!this.rows.has(place)) {
      const held = both ? { [this.held[0].name]: i, [this.held[1].name]: j } : { [this.held[0].name]: along };
      this.rows.set(place, ownValues(this.question, this.number, held));
    }
    const row = this.rows.get(place);
    Object.assign(this.values, row);
    this.fair = row.fair;
    for (const [name, k] of this.own) this.at[k] = row[name];
  }

  /* Verdict in a cell as a code, remembered. */
  code(i, j) {
    const cell = j * this.size + i;
    if (this.codes[cell] !== UNSEEN) return this.codes[cell];
    if (this.held.length) this.redraw(i, j);
    if (this.follows || this.reader) {
      this.values[this.question.x.name] = this.xs[i];
      this.values[this.question.y.name] = this.ys[j];
    }
    if (this.follows) {
      derive(this.values);
      for (const { target } of Object.values(page.through)) this.at[this.place[target]] = this.values[target];
    }
    if (this.across >= 0) this.at[this.across] = this.xs[i];
    if (this.up >= 0) this.at[this.up] = this.ys[j];
    if (this.reader) this.readTable();
    judged(this.at, this.out);
    const verdict = this.fair ? this.out[0] : 3;
    const code = verdict <= 1 ? SAFE_CODE : verdict === 2 ? this.out[1] : UNKNOWN_CODE;
    this.codes[cell] = code;
    return code;
  }

  /* What the lung's table says here, for the traced function. */
  readTable() {
    const found = this.reader.read(this.number, this.values);
    const { names } = this.reader;
    for (let k = 0; k < names.length; k++) if (names[k] in this.place) this.at[this.place[names[k]]] = found[k];
  }

  /* Look at corners of blocks, and closer where they differ. */
  look() {
    const last = this.size - 1;
    for (let j = 0; j < last; j += COARSE) {
      for (let i = 0; i < last; i += COARSE) this.block(i, Math.min(i + COARSE, last), j, Math.min(j + COARSE, last));
    }
  }

  /* A block whose corners agree is filled as one; another is looked at in halves. Nothing is made
     anew here: this runs some hundred times for every lung. */
  block(left, right, low, high) {
    const a = this.code(left, low);
    const b = this.code(right, low);
    const c = this.code(left, high);
    const d = this.code(right, high);
    // which limit fails decides nothing here, only whether one does
    const agree = (a === b && a === c && a === d) || (a < SAFE_CODE && b < SAFE_CODE && c < SAFE_CODE && d < SAFE_CODE);
    if (agree || (right - left <= FINE && high - low <= FINE)) {
      this.fill(left, right, low, high, a, b, c, d);
      return;
    }
    const middle = (left + right) >> 1;
    const half = (low + high) >> 1;
    const [wide, tall] = [middle > left, half > low];
    this.block(left, wide ? middle : right, low, tall ? half : high);
    if (wide) this.block(middle, right, low, tall ? half : high);
    if (tall) this.block(left, wide ? middle : right, half, high);
    if (wide && tall) this.block(middle, right, half, high);
  }

  /* Give every cell of a block the code of its nearest corner. */
  fill(left, right, low, high, a, b, c, d) {
    for (let j = low; j <= high; j++) {
      const [near, far] = 2 * j < low + high ? [a, b] : [c, d];
      for (let i = left, cell = j * this.size + left; i <= right; i++, cell++) {
        if (this.codes[cell] === UNSEEN) this.codes[cell] = 2 * i < left + right ? near : far;
      }
    }
  }
}

/* The order in which lungs are counted: far apart ones first, so that a draft of some stands for all. */
function spread(k) {
  let step = Math.round(page.count * 0.618) || 1;
  while (greatestCommon(step, page.count) !== 1) step += 1;
  return (k * step) % page.count;
}

function greatestCommon(a, b) {
  return b === 0 ? a : greatestCommon(b, a % b);
}
