/* What every page needs: its data, its elements, and a mark that says when all is drawn. */
"use strict";

const page = JSON.parse(document.getElementById("data").textContent);

/* The element with an id. */
function by(id) {
  return document.getElementById(id);
}

/* A new element with attributes, text and children. */
function make(tag, attributes = {}, ...children) {
  const element = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, value);
  element.append(...children);
  return element;
}

/* Text that may stand in HTML. */
function safeText(words) {
  return String(words).replace(/[&<>"]/g, (c) => ({ "&": "&amp;", "<": "&lt;", ">": "&gt;", '"': "&quot;" })[c]);
}

/* How long the hand must rest before the rest is done [ms]. */
const REST = 180;
let resting = 0;

/* Something moved: say that the page is not settled, and what to do when the hand rests. A timer
   tells, for a slider that is let go where it was taken sends no `change`. */
function moved(whenAtRest) {
  document.body.dataset.settled = "no";
  clearTimeout(resting);
  resting = setTimeout(() => {
    resting = 0;
    whenAtRest();
  }, REST);
}

/* All is drawn. */
function settled() {
  document.body.dataset.settled = "yes";
}

/* Say a sentence to screen readers, and to whoever looks at the line of news. */
function announce(words) {
  by("news").textContent = words;
}

/* Copy text; where the browser forbids it, show it so that it can be copied by hand. */
function copyText(words, told) {
  const shown = () => {
    by("copied").hidden = false;
    by("copied_text").value = words;
    by("copied_text").select();
    announce("Copy the text by hand: the browser keeps the clipboard closed.");
  };
  if (!navigator.clipboard) return shown();
  return navigator.clipboard.writeText(words).then(() => announce(told), shown);
}

/* Give the reader a file. */
function download(name, content, type) {
  const address = URL.createObjectURL(new Blob([content], { type }));
  const link = make("a", { href: address, download: name });
  document.body.append(link);
  link.click();
  link.remove();
  setTimeout(() => URL.revokeObjectURL(address), 1000);
}

/* Dark and lecture looks: buttons that stay pressed. */
function startLooks() {
  for (const look of ["dark", "lecture"]) {
    by(look).addEventListener("click", () => {
      setLook(look, !document.body.classList.contains(look));
      window.dispatchEvent(new Event("resize"));
    });
  }
  by("print").addEventListener("click", () => window.print());
}

function setLook(look, on) {
  document.body.classList.toggle(look, on);
  by(look).setAttribute("aria-pressed", String(on));
}
