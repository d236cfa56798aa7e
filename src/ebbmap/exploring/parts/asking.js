/* The question that the controls ask, and what is done when it is answered. Who answers is another
   file: the page itself (itself.js) or the server that it came from (served.js). Both have

     ask()                             count anew, a draft first
     allCounted()                      whether every cell is counted
     lungsInCell(question, changes)    verdict and margin of every lung at some values
     oneLung(question, number, list, times)   one lung at each of a list of values, and its curves
*/

/* How long each answer to a hand took to be on the screen [ms], for whoever measures. */
const redraws = [];

/* How many cells lie along an axis: as many as there are stored places, where cases are stored. */
function cellsOf(axis) {
  return page.stored ? page.stored[axis.name].length : page.cells;
}

/* The number of the place that is next to a value. */
function nextTo(places, value) {
  let found = 0;
  places.forEach((place, k) => { if (Math.abs(place - value) < Math.abs(places[found] - value)) found = k; });
  return found;
}

function questionNow() {
  return {
    group: state.group,
    x: state.x,
    y: state.y,
    settings: settingsNow(),
    factors: state.factors,
    limits: limitsNow(),
    lungs: state.onlyBrushed ? brushed() : null,
  };
}

/* The hand rests: show the cell, and if all is counted, be done. */
function rest() {
  drawCell().then(goOnOrSettle);
}

function goOnOrSettle() {
  if (allCounted() && !resting) finish();
}

function finish() {
  writeAddress(addressOf());
  settled();
}
