/* Controls: population, axes, settings, properties of all lungs, limits and rules. */

const state = {
  group: "", x: null, y: null, settings: {}, modes: {}, factors: {}, limits: {}, off: {}, rules: {},
  show: "share", cell: null, number: 0.5, brush: {}, onlyBrushed: false,
};

/* What may be an axis: settings, and properties that the page can move. */
function axesOffered() {
  if (page.stored) return page.sliders;
  const free = Object.entries(page.properties).filter(([name]) => canMove(name));
  return { ...page.sliders, ...Object.fromEntries(free) };
}

/* Whether a property can be moved in every lung: not where cases are tabled or stored. */
function canMove(name) {
  return !page.stored && !page.tabled.includes(name);
}

/* The lungs that a map opens with, where it has them. */
const USUAL_GROUP = "restrictive";

/* An axis by name, over its usual range. */
function axisOf(name) {
  const opening = page.axes.find((axis) => axis.name === name);
  const entry = page.sliders[name] ?? page.properties[name];
  return opening ? { ...opening } : { name, from: entry.from, to: entry.to };
}

function setOpening() {
  state.group = Object.hasOwn(groups, USUAL_GROUP) ? USUAL_GROUP : Object.keys(groups)[0];
  [state.x, state.y] = page.axes.map((axis) => ({ ...axis }));
  state.settings = { ...page.opening };
  state.modes = { ...page.modes };
  state.factors = Object.fromEntries(Object.keys(page.properties).map((name) => [name, 1]));
  state.limits = Object.fromEntries(page.bounds.map((b) => [b.name, b.value]));
  state.off = {};
  state.rules = {};
  state.show = "share";
  state.cell = cellOfSettings();
  state.number = 0.5;
  state.brush = {};
  state.onlyBrushed = false;
  followAxes();
}

/* The cell in which the settings lie; the middle of an axis of a property. */
function cellOfSettings() {
  const place = ({ name, from, to }) => {
    if (page.stored) return nextTo(page.stored[name], state.settings[name]);
    const share = name in page.sliders ? (state.settings[name] - from) / (to - from) : 0.5;
    return clamp(Math.round(share * (page.cells - 1)), 0, page.cells - 1);
  };
  return { i: place(state.x), j: place(state.y) };
}

/* A setting on an axis is set directly or through another as the axis has it. */
function followAxes() {
  for (const axis of [state.x, state.y]) {
    for (const [trigger, { target }] of Object.entries(page.through)) {
      if (axis.name === trigger || axis.name === target) state.modes[target] = axis.name;
    }
  }
}

/* The settings that hold: of two ways to set one thing, the chosen one. */
function settingsNow() {
  const found = {};
  for (const [name, value] of Object.entries(state.settings)) if (!hiddenSetting(name)) found[name] = value;
  return found;
}

function hiddenSetting(name) {
  return Object.entries(page.through).some(([trigger, { target }]) => (name === trigger || name === target) && state.modes[target] !== name);
}

/* Limits that hold; one that is switched off lies where nothing reaches it. */
function limitsNow() {
  return Object.fromEntries(page.bounds.map((b) => [b.name, isOn(b) ? state.limits[b.name] : b.side === "low" ? -Infinity : Infinity]));
}

function isOn(bound) {
  return bound.rule ? Boolean(state.rules[bound.rule]) : !state.off[bound.name];
}

/* A slider with its label; `put` sets it from the state. With `places` it goes from one to the next. */
function makeSlider(id, entry, own, changed) {
  const { places } = own;
  const ends = places ? { ...own, from: 0, to: places.length - 1, step: 1 } : own;
  const input = make("input", { type: "range", id, min: ends.from, max: ends.to, step: ends.step });
  const output = make("output", { for: id });
  input.addEventListener("input", () => {
    const value = places ? places[Number(input.value)] : Number(input.value);
    changed(value);
    input.put(value);
    ask();
  });
  input.put = (value) => {
    input.value = places ? nextTo(places, value) : value;
    const text = own.say ? own.say(value) : say(value, digitsOf(own.step), entry.units);
    output.textContent = text;
    input.setAttribute("aria-valuetext", text);
  };
  const row = make("div", { class: "slider" }, make("label", { for: id }, entry.label, output), input);
  input.row = row;
  return row;
}

function startSettings() {
  for (const [name, group] of Object.entries(groups)) by("group").append(make("option", { value: name }, group.label));
  by("group").addEventListener("change", () => { state.group = by("group").value; state.brush = {}; showControls(); ask(); });
  for (const side of ["x", "y"]) {
    for (const [name, entry] of Object.entries(axesOffered())) by(side).append(make("option", { value: name }, entry.label));
    by(side).addEventListener("change", () => {
      const other = side === "x" ? "y" : "x";
      if (by(side).value === state[other].name) state[other] = state[side];
      state[side] = axisOf(by(side).value);
      followAxes();
      state.cell = cellOfSettings();
      showControls();
      ask();
    });
  }
  for (const [name, entry] of Object.entries(page.sliders)) by("settings").append(makeSlider(name, entry, { ...entry, places: page.stored?.[name] }, (v) => { state.settings[name] = v; }));
  for (const [trigger, { target, label }] of Object.entries(page.through)) {
    const choice = by(`mode_${target}`);
    choice.append(make("option", { value: target }, "one for all lungs"), make("option", { value: trigger }, label));
    choice.addEventListener("change", () => {
      state.modes[target] = choice.value;
      for (const side of ["x", "y"]) if ([trigger, target].includes(state[side].name)) state[side] = axisOf(choice.value);
      showControls();
      ask();
    });
  }
  const [from, to] = page.factors;
  for (const [name, entry] of Object.entries(page.properties)) {
    const ends = { from: Math.log2(from), to: Math.log2(to), step: 0.01, say: (v) => `× ${(2 ** v).toFixed(2)}` };
    by("factors").append(makeSlider(`factor_${name}`, entry, ends, (v) => { state.factors[name] = Math.abs(v) < 0.005 ? 1 : 2 ** v; }));
  }
  page.bounds.slice(0, page.hard).forEach((bound) => {
    const reach = 2 * Math.max(bound.width, 0.1 * Math.abs(bound.value));
    const step = 10 ** Math.floor(Math.log10(reach / 40));
    const ends = { from: bound.value - reach / 2, to: bound.value + reach / 2, step };
    const entry = { ...bound, label: `${bound.label} ${bound.side === "low" ? "at least" : "at most"}` };
    const row = makeSlider(bound.name, entry, ends, (v) => { state.limits[bound.name] = v; });
    if (!bound.rule) {
      const box = make("input", { type: "checkbox", id: `on_${bound.name}`, "aria-label": `judge ${bound.sentence}` });
      box.addEventListener("change", () => { state.off[bound.name] = !box.checked; showControls(); ask(); });
      row.firstChild.prepend(box);
    }
    by(bound.rule ? `rule_${bound.rule}` : "limits").append(row);
  });
  for (const rule of ["flow_ratio", "exhaled_fraction"]) by(`use_${rule}`).parentElement.hidden = !page.rules.includes(rule);
  for (const rule of page.rules) by(`use_${rule}`).addEventListener("change", () => { state.rules[rule] = by(`use_${rule}`).checked; showControls(); ask(); });
  for (const radio of document.querySelectorAll("input[name=show]")) {
    radio.addEventListener("change", () => { state.show = radio.value; drawPicture(); moved(() => goOnOrSettle()); });
  }
  by("again").addEventListener("click", () => { setOpening(); showControls(); ask(); });
}

function showControls() {
  by("group").value = state.group;
  by("x").value = state.x.name;
  by("y").value = state.y.name;
  const onAxis = (name) => name === state.x.name || name === state.y.name;
  for (const name of Object.keys(page.sliders)) {
    by(name).put(state.settings[name]);
    by(name).row.hidden = hiddenSetting(name) || onAxis(name);
  }
  for (const { target } of Object.values(page.through)) by(`mode_${target}`).value = state.modes[target];
  const own = groups[state.group].columns;
  for (const name of Object.keys(page.properties)) {
    by(`factor_${name}`).put(Math.log2(state.factors[name]));
    by(`factor_${name}`).row.hidden = !(name in own) || onAxis(name) || !page.inputs.includes(name) || !canMove(name);
  }
  for (const bound of page.bounds.slice(0, page.hard)) {
    by(bound.name).put(state.limits[bound.name]);
    by(bound.name).disabled = !isOn(bound);
    if (!bound.rule) by(`on_${bound.name}`).checked = isOn(bound);
  }
  for (const rule of page.rules) by(`use_${rule}`).checked = Boolean(state.rules[rule]);
  for (const radio of document.querySelectorAll("input[name=show]")) radio.checked = radio.value === state.show;
}

/* The state as an address holds it: what differs from the opening. */
function addressOf() {
  const found = { lungs: state.group, x: state.x.name, y: state.y.name };
  for (const [name, value] of Object.entries(settingsNow())) if (value !== page.opening[name]) found[name] = value;
  for (const { target } of Object.values(page.through)) found[`by_${target}`] = state.modes[target];
  for (const [name, value] of Object.entries(state.factors)) if (value !== 1) found[`times_${name}`] = value;
  for (const bound of page.bounds) {
    if (state.limits[bound.name] !== bound.value) found[bound.name] = state.limits[bound.name];
    if (state.off[bound.name]) found[`off_${bound.name}`] = 1;
  }
  for (const rule of page.rules) if (state.rules[rule]) found[`rule_${rule}`] = 1;
  if (state.show !== "share") found.show = state.show;
  if (state.cell) found.cell = `${state.cell.i},${state.cell.j}`;
  for (const look of ["dark", "lecture"]) if (document.body.classList.contains(look)) found[look] = 1;
  return found;
}

/* Take the state from the address; nonsense is left as it opens. */
function takeAddress() {
  const address = readAddress();
  setOpening();
  const own = (table, name) => typeof name === "string" && Object.hasOwn(table, name);
  if (own(groups, address.lungs)) state.group = address.lungs;
  const all = axesOffered();
  if (own(all, address.x)) state.x = axisOf(address.x);
  if (own(all, address.y) && address.y !== state.x.name) state.y = axisOf(address.y);
  else if (state.y.name === state.x.name) state.y = { ...page.axes.find((axis) => axis.name !== state.x.name) };
  for (const [trigger, { target }] of Object.entries(page.through)) if ([trigger, target].includes(address[`by_${target}`])) state.modes[target] = address[`by_${target}`];
  followAxes();
  const within = (entry) => ({ low: entry.from, high: entry.to });
  for (const [name, entry] of Object.entries(page.sliders)) state.settings[name] = numberFrom(address, name, within(entry), state.settings[name]);
  for (const [name, places] of Object.entries(page.stored ?? {})) state.settings[name] = places[nextTo(places, state.settings[name])];
  for (const name of Object.keys(page.properties)) if (canMove(name)) state.factors[name] = numberFrom(address, `times_${name}`, { low: page.factors[0], high: page.factors[1] }, 1);
  for (const bound of page.bounds) {
    const reach = 2 * Math.max(bound.width, 0.1 * Math.abs(bound.value));
    state.limits[bound.name] = numberFrom(address, bound.name, { low: bound.value - reach, high: bound.value + reach }, bound.value);
    state.off[bound.name] = address[`off_${bound.name}`] === "1";
  }
  for (const rule of page.rules) state.rules[rule] = address[`rule_${rule}`] === "1";
  if (["share", "limit"].includes(address.show)) state.show = address.show;
  const cell = /^(\d{1,4}),(\d{1,4})$/.exec(address.cell ?? "");
  if (cell) state.cell = { i: Math.min(Number(cell[1]), cellsOf(state.x) - 1), j: Math.min(Number(cell[2]), cellsOf(state.y) - 1) };
  for (const look of ["dark", "lecture"]) if (address[look] === "1") setLook(look, true);
}
