/* Curves of a lung that has no formula of time: its traced slopes are followed step by step, by the
   classical method of Runge and Kutta. Steps are short as a phase begins, then longer. */

/* First step of a phase, the longest [s], and how much longer each next one is. */
const STEP_OF = { first: 0.001, longest: 0.03, growth: 1.2 };

/* Cycles after which a lung counts as settled, or as soon as one changes less than this [cmH2O]. */
const SETTLING = { cycles: 120, change: 1e-4 };

/* Parts of a state; two of them are the airway pressure as the phase began, and the time since the
   first effort of the patient, where the lung has efforts. */
const PARTS = REST_STATE_OUTPUTS.length;
const AIRWAY = REST_STATE_OUTPUTS.indexOf("state_airway");
const CLOCK = REST_STATE_OUTPUTS.indexOf("state_clock");

/* Cycles with efforts that are run before one is shown: no cycle is like the next. */
const BREATHED = 12;

/* One lung in one cycle: slopes and signals at a time since a phase began. */
class Follower {
  constructor(values) {
    this.values = values;
    this.at = Float64Array.from(SLOPES_INPUTS, (name) => values[name] ?? 0);
    this.out = new Float64Array(SLOPES_OUTPUTS.length);
    this.moves = Array.from({ length: 4 }, () => new Float64Array(PARTS));
    this.near = new Float64Array(PARTS);
    this.states = REST_STATE_OUTPUTS.map((name) => SLOPES_INPUTS.indexOf(name));
    this.slopes = REST_STATE_OUTPUTS.map((name) => SLOPES_OUTPUTS.indexOf(name.replace("state_", "slope_of_")));
    this.signals = [...SLOPES_OUTPUTS.entries()].filter(([, name]) => !name.startsWith("slope_of_"));
    this.airway = SLOPES_OUTPUTS.indexOf("airway_pressure");
    this.places = ["since", "target"].map((name) => SLOPES_INPUTS.indexOf(name));
  }

  /* Slopes of a state at a time, into one of the rows of `moves`. */
  look(state, since, row = 0) {
    for (let k = 0; k < PARTS; k++) this.at[this.states[k]] = state[k];
    this.at[this.places[0]] = since;
    slopes(this.at, this.out);
    for (let k = 0; k < PARTS; k++) this.moves[row][k] = this.out[this.slopes[k]];
  }

  /* The state moved along a row of slopes, for the next look. */
  along(state, row, length) {
    for (let k = 0; k < PARTS; k++) this.near[k] = state[k] + length * this.moves[row][k];
    return this.near;
  }

  /* Move a state in place by a step. */
  step(state, since, length) {
    this.look(state, since, 0);
    this.look(this.along(state, 0, 0.5 * length), since + 0.5 * length, 1);
    this.look(this.along(state, 1, 0.5 * length), since + 0.5 * length, 2);
    this.look(this.along(state, 2, length), since + length, 3);
    const [one, two, three, four] = this.moves;
    for (let k = 0; k < PARTS; k++) state[k] += (length / 6) * (one[k] + 2 * (two[k] + three[k]) + four[k]);
  }

  /* Follow a phase from a state, and note signals at rising times since it began. */
  phase(state, target, duration, times, note) {
    this.at[this.places[1]] = target;
    const now = Float64Array.from(state);
    let [since, next, length] = [0, 0, STEP_OF.first];
    while (true) {
      for (; next < times.length && times[next] <= since; next++) {
        this.look(now, since);
        note(next, Object.fromEntries(this.signals.map(([k, name]) => [name, this.out[k]])));
      }
      if (since >= duration) break;
      const end = Math.min(since + length, duration, times[next] ?? Infinity);
      this.step(now, since, end - since);
      since = end;
      length = Math.min(length * STEP_OF.growth, STEP_OF.longest);
    }
    this.look(now, duration);
    now[AIRWAY] = this.out[this.airway];
    return now;
  }

  /* Follow a cycle; the release goes on for as long as times want it. */
  cycle(state, times = [], note = () => {}) {
    const { p_high, p_low, t_high, t_low } = this.values;
    const early = times.filter((t) => t < t_high);
    const late = times.slice(early.length).map((t) => t - t_high);
    const top = this.phase(state, p_high, t_high, early, note);
    const longest = Math.max(t_low, late.at(-1) ?? 0);
    return this.phase(top, p_low, longest, late, (k, point) => note(early.length + k, point));
  }
}

function partsOf(state) {
  return REST_STATE_OUTPUTS.map((name) => state[name]);
}

function namedParts(state) {
  return Object.fromEntries(REST_STATE_OUTPUTS.map((name, k) => [name, state[k]]));
}

/* Values with what else the slopes take, which the lung's table holds; `still` without efforts. */
function moving(values, still = false) {
  return { ...tabled(values), ...(still ? { peak_muscle_pressure: 0, effort_pressure: 0 } : {}) };
}

/* Whether the patient breathes, so that no cycle is like the next. */
function breathes(values) {
  const full = tabled(values);
  return CLOCK >= 0 && (full.peak_muscle_pressure ?? full.effort_pressure) > 0;
}

/* State of the lung at the start of T high: settled, or at rest at a pressure. */
function stateSettled(values) {
  return remembered("settled", values, () => namedParts(breathes(values) ? breathed(values) : settle(values)));
}

/* A lung that breathes settles to no cycle; one of those that it goes on with, as an effort begins
   with T high. */
function breathed(values) {
  const follower = new Follower(moving(values));
  const rhythm = 60 / values.effort_rate;
  let state = settle(values);
  state[CLOCK] = rhythm - ((BREATHED * (values.t_high + values.t_low)) % rhythm);
  for (let cycle = 0; cycle < BREATHED; cycle++) state = follower.cycle(state);
  return state;
}

/* Follow cycles until one ends as it began. What a cycle changes falls by about one share from cycle
   to cycle, so that the sum of all changes to come can be taken at once. */
function settle(values) {
  const follower = new Follower(moving(values, true));
  let state = Float64Array.from(partsOf(call(begin_state, BEGIN_STATE_INPUTS, BEGIN_STATE_OUTPUTS, values)));
  let [before, share] = [null, 0];
  for (let cycle = 0; cycle < SETTLING.cycles; cycle++) {
    const next = follower.cycle(state);
    if (CLOCK >= 0) next[CLOCK] = 0;
    const change = next.map((value, k) => value - state[k]);
    state = next;
    if (!(Math.max(...change.map(Math.abs)) >= SETTLING.change)) break;
    const fall = before ? dot(change, before) / dot(before, before) : 0;
    const steady = Math.abs(fall - share) < 0.1 && fall > 0 && fall < 0.999;
    if (before && steady) state = next.map((value, k) => value + (change[k] * fall) / (1 - fall));
    before = before && steady ? null : change;
    share = fall;
  }
  return state;
}

function dot(one, other) {
  return one.reduce((sum, value, k) => sum + value * other[k], 0);
}

function stateAtRest(pressure, values) {
  return call(rest_state, REST_STATE_INPUTS, REST_STATE_OUTPUTS, { ...values, start_pressure: pressure });
}

function stateAfter(values, state) {
  return namedParts([...new Follower(moving(values)).cycle(partsOf(state))]);
}

/* Many times of one cycle, in any order: a list of points with their signals. */
function signalsAlong(values, state, times) {
  const order = times.map((_, k) => k).sort((a, b) => times[a] - times[b]);
  const points = new Array(times.length);
  new Follower(moving(values)).cycle(partsOf(state), order.map((k) => times[k]), (k, point) => { points[order[k]] = point; });
  return points;
}
