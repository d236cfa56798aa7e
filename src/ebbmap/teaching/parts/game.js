/* A game: an unknown lung, and a T low to find that breaks no limit on harm. */

const ROUNDS = 5;

/* The colour of a lung whose population would tell too much. */
const UNKNOWN = "#4b3f8f";

const game = { round: 0, tries: 0, points: 0, before: null };

function startGame() {
  // at some values no lung that was drawn has a window to be found
  document.querySelector(".play").hidden = !page.guessed.length;
  by("game_start").addEventListener("click", () => (game.round ? endGame() : firstRound()));
  by("game_say").addEventListener("click", judgeGuess);
  by("game_next").addEventListener("click", nextRound);
}

function firstRound() {
  Object.assign(game, { round: 0, points: 0, before: { lungs: state.lungs, settings: state.settings, view: state.view } });
  document.body.dataset.game = "playing";
  by("game_start").textContent = "End the game";
  nextRound();
  window.scrollTo(0, 0);
}

/* The next unknown lung, which opens at the shortest release, or the longest where that is safe. */
function nextRound() {
  if (game.round === ROUNDS) {
    endGame();
    return;
  }
  const hidden = page.guessed[game.round % page.guessed.length];
  game.round += 1;
  game.tries = 0;
  const lung = { name: "unknown", label: `unknown lung ${game.round}`, values: withTable(hidden), colour: UNKNOWN, told: page.presets[hidden.population].label };
  state.lungs = { a: lung, b: game.before.lungs.b };
  const { low, high } = page.sliders.t_low;
  const values = caseOf(lung, hidden.settings);
  state.settings = { ...hidden.settings, t_low: safeAt(values, [low])[0] ? high : low };
  state.view = "release";
  state.frozen = null;
  document.body.dataset.game = "playing";
  by("game_says").textContent = `Lung ${game.round} of ${ROUNDS}. Watch flow and volume of the lung on the left, move T low, and say when it is safe.`;
  draw();
}

/* Judge the present T low; the limit that fails is the only hint. */
function judgeGuess() {
  const { found } = shownLung("a");
  game.tries += 1;
  if (found.verdict <= 1) {
    const won = Math.max(4 - game.tries, 1);
    game.points += won;
    document.body.dataset.game = "shown";
    const last = game.round === ROUNDS ? ` The game is over: ${game.points} of ${3 * ROUNDS} points.` : "";
    by("game_says").textContent = `Safe. ${won} points, ${game.points} in all. It was one of the ${state.lungs.a.told}.${last}`;
  } else {
    const worst = brokenBounds(found)[0]?.sentence ?? "it cannot be judged";
    by("game_says").textContent = `Not safe: ${worst}. Move T low and say again (try ${game.tries + 1}).`;
  }
  draw();
}

function endGame() {
  const text = `The game ended with ${game.points} points.`;
  Object.assign(state, game.before);
  game.round = 0;
  delete document.body.dataset.game;
  by("game_start").textContent = "Start the game";
  by("game_says").textContent = text;
  draw();
}

function showGame() {
  const on = game.round > 0;
  by("game_say").hidden = document.body.dataset.game !== "playing";
  by("game_next").hidden = document.body.dataset.game !== "shown";
  by("game_next").textContent = game.round === ROUNDS ? "Back to the page" : "Next lung";
  by("lung_a").disabled = on;
  by("lung_a").hidden = on;
  by("own_a").hidden = on;
  by("name_a").textContent = on ? state.lungs.a.label : "Left lung";
}
