/* The page as a whole: what is drawn after each move, and how it starts. */

/* A lung as it is shown: its values at the settings, and everything solved. */
function shownLung(slot) {
  const lung = state.lungs[slot];
  const values = caseOf(lung, state.settings);
  return { label: lung.label, colour: lung.colour, values, found: solved(values) };
}

/* Draw everything; with a time, the curves up to it. */
function drawAll(until = Infinity) {
  const shown = SLOTS.map(shownLung);
  const courses = SLOTS.map((slot, k) => drawLung(slot, shown[k], state.frozen?.[k] ?? null, state.view, until));
  SLOTS.forEach((slot, k) => {
    drawGases(slot, shown[k]);
    drawVerdict(slot, shown[k]);
    drawStrip(slot, shown[k]);
    describeCurves(slot, shown[k], courses[k]);
  });
  drawNumbers(shown, state.frozen);
  drawPointed(shown, courses);
}

/* Something changed: draw, and keep the state in the address when the hand rests. */
function draw() {
  showControls();
  showGame();
  if (!playing) drawAll();
  moved(() => {
    if (!game.round) writeAddress(addressOf());
    if (!playing) settled();
  });
}

function start() {
  startLooks();
  startControls();
  startPointing();
  startGame();
  startQuiz();
  by("play").addEventListener("click", startPlaying);
  by("model").textContent = page.model;
  by("how").textContent = page.how;
  by("whose").textContent = page.whose;
  by("invented").textContent = page.invented;
  by("near").hidden = !page.tables.length;
  by("near_tables").replaceChildren(...page.tables.map((table) => nearTable(table, table.called)));
  by("limits").replaceChildren(...bounds.map((b, k) => make("li", {}, `${k < page.hard ? "" : "caution: "}${b.sentence} (${b.why})`)));
  window.addEventListener("resize", draw);
  window.addEventListener("hashchange", () => {
    takeAddress();
    draw();
  });
  takeAddress();
  draw();
}

start();
