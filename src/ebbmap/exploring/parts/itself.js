/* The page answers by itself: traced formulas over all lungs. */

let counter = null;
let counting = 0;

/* Ask anew: draw a first draft at once, and go on when the browser has time. */
function ask() {
  clearTimeout(counting);
  const begun = performance.now();
  document.body.dataset.settled = "no";
  counter = new Counter(questionNow());
  counter.work();
  showCounts(counter.shown, counter.done);
  redraws.push(performance.now() - begun);
  counting = setTimeout(goOn, 0);
  moved(rest);
}

function allCounted() {
  return counter !== null && counter.done;
}

/* Go on counting, slice by slice. */
function goOn() {
  const more = counter.work(40);
  if (counter.stage === "draft" || !more) showCounts(counter.shown, counter.done);
  else tellProgress(counter.counted / counter.lungs.length);
  if (more) counting = setTimeout(goOn, 0);
  else goOnOrSettle();
}

/* A lung at some values; those of properties on an axis are held, and it is drawn given these. */
function valuesAt(question, number, changes) {
  const own = heldAxes(question).filter(({ name }) => name in changes);
  const held = Object.fromEntries(own.map((axis) => [axis.name, nextTo(placesOf(axis), changes[axis.name])]));
  return derive({ ...lungValues(question, number, held), ...changes });
}

async function lungsInCell(question, changes) {
  return Array.from({ length: page.count }, (_, number) => {
    const values = valuesAt(question, number, changes);
    const { verdict, margin } = solved(values);
    return values.fair ? { verdict, margin } : { verdict: 3, margin: NaN };
  });
}

/* Signals at rising times since a release began, some of them before it: cycle after cycle, since a
   patient who breathes makes each another one. */
function signalsAround(values, times) {
  const period = values.t_high + values.t_low;
  if (!(period > 0)) return times.map(() => ({}));
  const points = [];
  let state = stateSettled(values);
  for (let begun = -values.t_high; points.length < times.length; begun += period) {
    const within = times.slice(points.length).filter((t) => t - begun < period).map((t) => Math.max(t - begun, 0));
    points.push(...signalsAlong(values, state, within));
    state = stateAfter(values, state);
  }
  return points;
}

async function oneLung(question, number, list, times) {
  const each = list.map((changes) => valuesAt(question, number, changes));
  const [values] = each;
  if (!page.curves) return { values, found: each.map(solved), points: [] };
  return { values, found: each.map(solved), points: signalsAround(values, times) };
}
