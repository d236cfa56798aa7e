/* The server answers: one question at a time over a socket. While the hand moves only the newest
   question for a draft is kept; when it rests, every cell is counted slice by slice. */

const groups = Object.fromEntries(
  Object.entries(page.groups).map(([name, group]) => [
    name,
    { ...group, columns: Object.fromEntries(Object.entries(group.columns).map(([key, text]) => [key, numbersOf(text)])) },
  ]),
);

function placesOf(axis) {
  if (page.stored) return page.stored[axis.name];
  return Float64Array.from({ length: page.cells }, (_, k) => axis.from + ((axis.to - axis.from) * k) / (page.cells - 1));
}

/* The order in which lungs are counted: as they were drawn. */
function spread(k) {
  return k;
}

/* The program draws every property given those on an axis. */
function leftAsDrawn() {
  return [];
}

/* What waits for an answer, in order; a draft that nobody wants any more is left out. */
const waiting = [];
let asked = null;
let whole = false;
let wanted = 0;

const socket = new WebSocket(`ws://${location.host}/ask${location.search}`);
socket.addEventListener("open", sendNext);
socket.addEventListener("close", () => announce("The program that answers has ended. Start ebbmap explore again."));
socket.addEventListener("message", (event) => {
  const { told } = asked;
  asked = null;
  const answer = JSON.parse(event.data);
  if (answer.error) announce(answer.error);
  else told(answer);
  sendNext();
});

function sendNext() {
  if (asked || socket.readyState !== WebSocket.OPEN || !waiting.length) return;
  asked = waiting.shift();
  socket.send(asText(asked.message));
}

/* A message as text: a limit that lies where nothing reaches it is null, for JSON has no such number. */
function asText(message) {
  return JSON.stringify(message, (_, value) => (typeof value === "number" && !Number.isFinite(value) ? null : value));
}

function send(message, told) {
  waiting.push({ message, told });
  sendNext();
}

/* Numbers of an answer: null where there is none. */
function numbersIn(found) {
  return Object.fromEntries(Object.entries(found).map(([name, value]) => [name, value === null ? NaN : value]));
}

function ask() {
  const begun = performance.now();
  document.body.dataset.settled = "no";
  wanted += 1;
  whole = false;
  const number = wanted;
  // nothing of an older question is worth an answer
  waiting.length = 0;
  send({ kind: "draft", question: questionNow() }, (answer) => {
    if (number !== wanted) return;
    showCounts(answer, false);
    redraws.push(performance.now() - begun);
    // the hand may have come to rest before there was anything to show
    if (!resting) rest();
  });
  moved(() => {
    if (counts) rest();
    countAll(number, null);
  });
}

/* Count every cell, some lungs at a time, until all are counted or the hand moves. */
function countAll(number, sofar) {
  send({ kind: "slice", question: questionNow(), first: sofar ? sofar.counted : 0 }, (answer) => {
    if (number !== wanted) return;
    const sum = sofar ? added(sofar, answer) : answer;
    tellProgress(Math.min(sum.counted / sum.of, 0.99));
    if (sum.counted < sum.of) {
      countAll(number, sum);
      return;
    }
    whole = true;
    showCounts(sum, true);
    goOnOrSettle();
  });
}

function added(one, other) {
  const both = (a, b) => a.map((v, k) => v + b[k]);
  return {
    safe: both(one.safe, other.safe),
    unknown: both(one.unknown, other.unknown),
    broken: one.broken.map((bound, k) => both(bound, other.broken[k])),
    counted: one.counted + other.counted,
    of: other.of,
  };
}

function allCounted() {
  return whole;
}

function lungsInCell(question, changes) {
  return new Promise((told) => send({ kind: "lungs", question, changes }, (answer) => told(answer.lungs.map(numbersIn))));
}

function oneLung(question, number, list, times) {
  return new Promise((told) => {
    send({ kind: "one", question, number, list, times }, (answer) => {
      told({ values: numbersIn(answer.values), found: answer.found.map(numbersIn), points: answer.points.map(numbersIn) });
    });
  });
}
