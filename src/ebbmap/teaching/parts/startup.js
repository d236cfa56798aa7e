/* The first cycles: the lung at rest at a pressure, and gas building up until it settles. */

/* Seconds of the lung that pass in one second of the reader. */
const PACE = 8;

let playing = 0;

function stopPlaying() {
  cancelAnimationFrame(playing);
  playing = 0;
  by("play").textContent = "Play the first cycles";
}

/* Play: curves grow with time; at once for readers who want no motion. */
function startPlaying() {
  if (playing) {
    stopPlaying();
    draw();
    return;
  }
  state.view = "start";
  cursor = null;
  showControls();
  by("play").textContent = "Stop";
  const still = matchMedia("(prefers-reduced-motion: reduce)").matches;
  const begun = performance.now();
  const step = (now) => {
    const time = still ? Infinity : ((now - begun) / 1000) * PACE;
    document.body.dataset.settled = "no";
    drawAll(time);
    if (time >= VIEWS.start.to) {
      stopPlaying();
      draw();
      const [a, b] = SLOTS.map((slot) => state.lungs[slot].label);
      announce(`The first ${VIEWS.start.to} s of both lungs (${a}; ${b}), from rest at ${REST_PRESSURE} cmH₂O.`);
    } else playing = requestAnimationFrame(step);
  };
  playing = requestAnimationFrame(step);
}
