/* Sliders, choices of lungs, freezing, and the state that a link holds. */

const SLOTS = ["a", "b"];

/* What is shown: two lungs, the settings of both, the view, and what was frozen. */
const state = { lungs: {}, settings: {}, view: "release", frozen: null };

/* A lung of the page by name, with its own values to move. */
function presetLung(name) {
  const preset = page.presets[name];
  return { name, label: preset.label, values: withTable(preset), colour: preset.colour };
}

/* A lung's own values, with its table where the page needs one. */
const readers = page.tables.map((table) => new TableReader(table));

function withTable({ values, table }) {
  return table ? { ...values, table: { reader: readers[table[0]], number: table[1] } } : { ...values };
}

/* Set a property of a lung; inspiratory resistance keeps its proportion to expiratory. */
function setOwn(lung, name, value) {
  if (name === "resistance_exp") lung.values.resistance_insp *= value / lung.values.resistance_exp;
  lung.values[name] = value;
}

/* The opening: settings that are safe for one lung where they fail for the other. */
function setOpening() {
  state.settings = { ...page.opening.settings };
  state.lungs = { a: presetLung(page.opening.safe), b: presetLung(page.opening.fails) };
  state.view = "release";
  state.frozen = null;
}

/* One slider with its label and value. */
function makeSlider(id, name, changed) {
  const { label, units, low, high, step } = page.sliders[name];
  const input = make("input", { type: "range", id, min: low, max: high, step });
  const output = make("output", { for: id, id: `${id}_text` });
  const show = name === "fio2" ? (v) => say(v, -1) : (v) => say(v, digitsOf(step), units);
  input.addEventListener("input", () => {
    changed(Number(input.value));
    draw();
  });
  input.put = (value) => {
    // a middle lung lies between the steps
    input.step = Math.abs(value / step - Math.round(value / step)) < 1e-6 ? step : "any";
    input.value = value;
    const text = show(value);
    output.textContent = text;
    input.setAttribute("aria-valuetext", text);
  };
  input.addEventListener("pointerdown", () => { input.step = step; });
  input.addEventListener("keydown", () => { input.step = step; });
  return make("div", { class: "slider" }, make("label", { for: id }, label, output), input);
}

function startControls() {
  for (const name of page.shared) {
    by("settings").append(makeSlider(name, name, (value) => { state.settings[name] = value; }));
  }
  for (const slot of SLOTS) {
    const choice = by(`lung_${slot}`);
    for (const [name, preset] of Object.entries(page.presets)) choice.append(make("option", { value: name }, preset.label));
    choice.addEventListener("change", () => {
      state.lungs[slot] = presetLung(choice.value);
      draw();
    });
    for (const name of page.own) {
      by(`own_${slot}`).append(makeSlider(`${slot}_${name}`, name, (value) => setOwn(state.lungs[slot], name, value)));
    }
  }
  document.querySelector(".owns").hidden = !page.own.length;
  for (const radio of document.querySelectorAll("input[name=view]")) {
    radio.addEventListener("change", () => {
      stopPlaying();
      state.view = radio.value;
      cursor = null;
      draw();
    });
  }
  by("freeze").addEventListener("click", () => {
    state.frozen = state.frozen ? null : SLOTS.map((slot) => shownLung(slot));
    draw();
  });
  by("again").addEventListener("click", () => {
    if (game.round) endGame();
    setOpening();
    cursor = null;
    draw();
  });
  by("link").addEventListener("click", () => copyText(linkTo(addressOf()), "Link copied: it opens this page as it is now."));
}

/* Put the state into the controls. */
function showControls() {
  for (const name of page.shared) by(name).put(state.settings[name]);
  for (const slot of SLOTS) {
    const lung = state.lungs[slot];
    by(`lung_${slot}`).value = lung.name;
    by(`chosen_${slot}`).textContent = lung.label;
    for (const name of page.own) by(`${slot}_${name}`).put(lung.values[name]);
    by(`of_${slot}`).style.setProperty("--lung", lung.colour);
  }
  for (const radio of document.querySelectorAll("input[name=view]")) radio.checked = radio.value === state.view;
  const { from, to } = VIEWS[state.view];
  Object.assign(by("read_at"), { min: from, max: to, step: 0.01, value: cursor ?? 0 });
  by("read_at").setAttribute("aria-valuetext", cursor === null ? "nowhere" : `${cursor.toFixed(2)} s`);
  by("freeze").textContent = state.frozen ? "Let go of the frozen curves" : "Freeze and compare";
  by("freeze").setAttribute("aria-pressed", String(Boolean(state.frozen)));
}

/* The state as an address holds it: what differs from a middle lung, and all settings. */
function addressOf() {
  const found = {};
  for (const slot of SLOTS) {
    const lung = state.lungs[slot];
    found[slot] = lung.name;
    const middle = page.presets[lung.name]?.values ?? {};
    for (const name of page.own) if (lung.values[name] !== middle[name]) found[`${slot}_${name}`] = lung.values[name];
  }
  for (const name of page.shared) found[name] = state.settings[name];
  if (state.view !== "release") found.view = state.view;
  for (const look of ["dark", "lecture"]) if (document.body.classList.contains(look)) found[look] = 1;
  return found;
}

/* Take the state from the address; whatever in it makes no sense is left as it opens. */
function takeAddress() {
  const address = readAddress();
  setOpening();
  for (const slot of SLOTS) {
    if (Object.hasOwn(page.presets, address[slot] ?? "")) state.lungs[slot] = presetLung(address[slot]);
    for (const name of page.own) {
      const key = `${slot}_${name}`;
      if (key in address) setOwn(state.lungs[slot], name, numberFrom(address, key, page.sliders[name], state.lungs[slot].values[name]));
    }
  }
  for (const name of page.shared) state.settings[name] = numberFrom(address, name, page.sliders[name], state.settings[name]);
  if (state.settings.p_high <= state.settings.p_low) Object.assign(state.settings, { p_high: page.opening.settings.p_high, p_low: page.opening.settings.p_low });
  if (Object.hasOwn(VIEWS, address.view ?? "")) state.view = address.view;
  for (const look of ["dark", "lecture"]) if (address[look] === "1") setLook(look, true);
}
