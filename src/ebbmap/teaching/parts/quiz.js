/* Five cards. Each asks about the opening, and the model answers: nothing is written down here but
   the questions. */

/* A case of the opening with some settings changed. */
function opened(lung, changes = {}) {
  const settings = { ...page.opening.settings, ...changes };
  return solved(caseOf(presetLung(lung), settings));
}

/* The name that has the largest of some numbers. */
function largest(numbers) {
  return Object.entries(numbers).reduce((best, one) => (one[1] > best[1] ? one : best))[0];
}

/* T low at which flow has fallen to half of its peak, and what has left by then. */
function atHalfFlow(lung) {
  let [low, high] = [0.01, 20];
  for (let k = 0; k < 60; k++) {
    const middle = 0.5 * (low + high);
    if (opened(lung, { t_low: middle }).flow_ratio > 0.5) low = middle;
    else high = middle;
  }
  return { t_low: low, ...opened(lung, { t_low: low }) };
}

/* Each card: a question, the choices, which of them is right, and why, in numbers. */
const CARDS = [
  function sameSecond() {
    const { safe, fails, settings } = page.opening;
    const kept = Object.fromEntries([safe, fails].map((name) => [name, opened(name).trapped_volume]));
    const label = (name) => `the ${name.replaceAll("_", " ")} lung`;
    return {
      ask: `Both lungs are given the same T low of ${settings.t_low.toFixed(2)} s. Which one keeps more gas as the release ends?`,
      choices: [label(safe), label(fails)],
      right: label(largest(kept)),
      why: listed([safe, fails].map((name) => `${label(name)} keeps ${kept[name].toFixed(0)} mL`)) + ".",
    };
  },
  function clearCarbonDioxide() {
    const { fails, settings } = page.opening;
    const steps = {
      "T low 0.1 s longer": { t_low: settings.t_low + 0.1 },
      "T high 1 s shorter": { t_high: settings.t_high - 1 },
      "P low 2 cmH₂O higher": { p_low: settings.p_low + 2 },
      "FiO₂ 10 % lower": { fio2: settings.fio2 - 0.1 },
    };
    const now = opened(fails).paco2;
    const after = Object.fromEntries(Object.entries(steps).map(([name, step]) => [name, opened(fails, step).paco2]));
    const fall = Object.fromEntries(Object.entries(after).map(([name, value]) => [name, (now || 999) - (Number.isFinite(value) ? value : 999)]));
    return {
      ask: `In the ${fails.replaceAll("_", " ")} lung PaCO₂ is ${say(now, 0, "mmHg")}. Which one step lowers it most?`,
      choices: Object.keys(steps),
      right: largest(fall),
      why: `PaCO₂ then: ${Object.entries(after).map(([name, value]) => `${name}: ${say(value, 0)}`).join("; ")}.`,
    };
  },
  function tooLong() {
    const { safe, settings } = page.opening;
    const long = 3 * settings.t_low;
    const found = opened(safe, { t_low: long });
    const hard = bounds.slice(0, page.hard);
    const order = [...hard].sort((a, b) => found[`margin_of_${a.name}`] - found[`margin_of_${b.name}`]);
    const right = found.verdict <= 1 ? "no limit" : order[0].sentence;
    const others = ["no limit", ...order.slice(1, 4).map((b) => b.sentence)].filter((text) => text !== right);
    return {
      ask: `In the ${safe.replaceAll("_", " ")} lung T low is made three times as long, ${long.toFixed(2)} s. Which limit is broken most?`,
      choices: [right, ...others].slice(0, 4).sort(),
      right,
      why: `The release then lets out ${say(found.release_volume_per_kg, 1, "mL/kg")}, ends at ${say(found.end_release_pressure, 1, "cmH₂O")}, with pH ${say(found.ph, 2)} and SpO₂ ${say(found.spo2, -1)}.`,
    };
  },
  function twoRules() {
    const { safe } = page.opening;
    const half = atHalfFlow(safe);
    const share = half.exhaled_fraction;
    const choices = ["less than half", "one half", "more than half"];
    return {
      ask: `A release in the ${safe.replaceAll("_", " ")} lung stops when flow has fallen to half of its peak. How much of a full exhalation has left?`,
      choices,
      right: choices[Math.abs(share - 0.5) < 0.005 ? 1 : share < 0.5 ? 0 : 2],
      why: `${(100 * share).toFixed(0)} %, after ${half.t_low.toFixed(2)} s. With one compartment and one constant resistance it is one half exactly. A tube makes it more, for flow falls more slowly than the pressure behind it; a slow part makes it less, for it goes on emptying when the rest is done.`,
    };
  },
  function lessOxygen() {
    const { safe, settings } = page.opening;
    const less = opened(safe, { fio2: settings.fio2 - 0.2 });
    const now = opened(safe);
    const names = ["spo2", "paco2", "flow_ratio", "trapped_volume"];
    const moves = Object.fromEntries(names.map((name) => [page.readings[name].label, Math.abs(less[name] / now[name] - 1)]));
    return {
      ask: `FiO₂ goes from ${say(settings.fio2, -1)} to ${say(settings.fio2 - 0.2, -1)} in the ${safe.replaceAll("_", " ")} lung. Which of these moves most?`,
      choices: Object.keys(moves),
      right: largest(moves),
      why: `Oxygen saturation goes from ${say(now.spo2, -1)} to ${say(less.spo2, -1)}; the others move by at most ${(100 * Math.max(...Object.values(moves).sort((a, b) => b - a).slice(1))).toFixed(1)} % of themselves.`,
    };
  },
];

function startQuiz() {
  CARDS.forEach((card, k) => {
    const { ask, choices, right, why } = card();
    const says = make("p", { role: "status", class: "why" });
    const buttons = choices.map((choice) => {
      const button = make("button", { type: "button", "data-right": String(choice === right) }, choice);
      button.addEventListener("click", () => {
        for (const one of buttons) one.classList.toggle("right", one.dataset.right === "true");
        button.classList.toggle("wrong", choice !== right);
        says.textContent = `${choice === right ? "Yes." : `No: ${right}.`} ${why}`;
      });
      return button;
    });
    by("cards").append(make("li", { class: "card", id: `card_${k + 1}` }, make("p", {}, ask), make("div", { class: "choices" }, ...buttons), says));
  });
}
