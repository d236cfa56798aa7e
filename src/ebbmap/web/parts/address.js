/* The state in the address, behind the #: a link opens the page as it was. */

/* What an address says, by name; nonsense in it is left to whoever reads a value. */
function readAddress() {
  const found = {};
  try {
    for (const [name, value] of new URLSearchParams(location.hash.slice(1))) found[name] = value;
  } catch {
    return {};
  }
  return found;
}

/* A number from an address within the ends of a slider; the other one where there is none. */
function numberFrom(address, name, slider, otherwise) {
  const value = name in address ? numberOf(address[name]) : NaN;
  return Number.isFinite(value) ? clamp(value, slider.low, slider.high) : otherwise;
}

/* Put the state into the address without a new entry in the history. */
function writeAddress(state) {
  const text = new URLSearchParams(state).toString();
  try {
    history.replaceState(null, "", `#${text}`);
  } catch {
    // some browsers forbid it for files; the link still holds the state
  }
}

/* A link to this page with a state. */
function linkTo(state) {
  return `${location.href.split("#")[0]}#${new URLSearchParams(state)}`;
}
