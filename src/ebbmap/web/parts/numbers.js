/* Numbers in words, and ticks of axes. */

/* A number with digits behind the point, -1 for per cent; words where there is none. */
function say(value, digits, units = "") {
  if (!Number.isFinite(value)) return "no steady state";
  if (digits < 0) return `${(100 * value).toFixed(0)} %`;
  const text = value.toFixed(digits).replace(/^-(0\.?0*)$/, "$1").replace("-", "−");
  return units && units !== "1" ? `${text} ${units}` : text;
}

/* How many digits a step of a slider needs. */
function digitsOf(step) {
  return Math.max(0, Math.ceil(-Math.log10(step) - 1e-9));
}

/* A number that somebody typed or sent, with a point or a comma; NaN for nonsense. */
function numberOf(words) {
  const text = String(words).trim().replace(",", ".");
  return /^[-+]?(\d+\.?\d*|\.\d+)(e[-+]?\d+)?$/i.test(text) ? Number(text) : NaN;
}

function clamp(value, low, high) {
  return Math.min(Math.max(value, low), high);
}

/* Round numbers between two ends, about so many. */
function ticks(low, high, about) {
  const rough = (high - low) / about;
  const power = Math.pow(10, Math.floor(Math.log10(rough)));
  const step = [1, 2, 2.5, 5, 10].map((s) => s * power).find((s) => s >= rough * 0.999);
  const found = [];
  for (let k = Math.ceil(low / step - 1e-9); k * step <= high + 1e-9 * step; k++) {
    found.push(Number((k * step).toPrecision(12)));
  }
  return found;
}

/* Words joined as a list: "a, b and c". */
function listed(words) {
  return words.length < 2 ? words.join("") : `${words.slice(0, -1).join(", ")} and ${words.at(-1)}`;
}

/* Numbers that were sent as text. */
function numbersOf(text) {
  return new Float64Array(Uint8Array.from(atob(text), (c) => c.charCodeAt(0)).buffer);
}

/* What was computed last for some values, by a word for what it is: dragging asks for it again. */
const memory = new Map();
const REMEMBERED = 24;

function remembered(word, values, compute) {
  const key = word + JSON.stringify(values, (name, value) => (name === "table" ? value.number : value));
  if (!memory.has(key)) {
    if (memory.size >= REMEMBERED) memory.delete(memory.keys().next().value);
    memory.set(key, compute());
  }
  return memory.get(key);
}
