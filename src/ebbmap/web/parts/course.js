/* Curves by traced formulas of time: states of the lung, and its signals at a time of a cycle. */

/* State of the lung at the start of T high: settled, or at rest at a pressure. */
function stateSettled(values) {
  return call(settled_state, SETTLED_STATE_INPUTS, SETTLED_STATE_OUTPUTS, values);
}

function stateAtRest(pressure) {
  return call(rest_state, REST_STATE_INPUTS, REST_STATE_OUTPUTS, { start_pressure: pressure });
}

/* Whether the patient breathes: none of these lungs does. */
function breathes() {
  return false;
}

function stateAfter(values, state) {
  return call(after, AFTER_INPUTS, AFTER_OUTPUTS, { ...values, ...state });
}

/* Many times of one cycle: a list of points with their signals. */
function signalsAlong(values, state, times) {
  const at = Float64Array.from(CURVES_INPUTS, (name) => ({ ...values, ...state, time: 0 })[name]);
  const out = new Float64Array(CURVES_OUTPUTS.length);
  const place = CURVES_INPUTS.indexOf("time");
  return times.map((time) => {
    at[place] = time;
    curves(at, out);
    return Object.fromEntries(CURVES_OUTPUTS.map((name, k) => [name, out[k]]));
  });
}
