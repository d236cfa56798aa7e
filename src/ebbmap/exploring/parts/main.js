/* The explorer as a whole. */

function start() {
  startLooks();
  startSettings();
  startPicture();
  startCell();
  startParallel();
  startSaving();
  startStored();
  const way = page.stored ? "Read by the program that serves this page from stored cases of" : page.served ? "Computed by the program that serves this page, with" : page.tabled.length ? "Computed in this page from tables of" : "Computed in this page by";
  const moves = `Factors multiply a property in every lung; an axis of a property gives every lung the same value, and draws its other properties given that, as the map of a study does${page.tabled.length ? "; what the tables hold stays as it was drawn, which the picture says where it matters" : ""}.`;
  by("about").textContent =
    `${way} the lung model ${page.lung}, over ${page.count} invented lungs of each population (seed ${page.seed}). ${page.folded} ${page.stored ? "" : moves}`;
  startTables();
  window.addEventListener("resize", () => { if (counts) { drawPicture(); drawCell(); } });
  window.addEventListener("hashchange", () => {
    takeAddress();
    showControls();
    ask();
  });
  takeAddress();
  showControls();
  ask();
}

/* What is not stored is not offered. */
function startStored() {
  by("stored_says").hidden = !page.stored;
  if (!page.stored) return;
  by("stored_says").textContent = page.stored_says.join(" ");
  for (const id of ["ways", "multiplied", "save_study", "copy_python"]) by(id).hidden = true;
  by("many").hidden = !Object.keys(page.properties).length;
}

/* How near the tables are to the solver, where there are any. */
function startTables() {
  by("near").hidden = !page.tabled.length;
  if (!page.tabled.length) return;
  const tables = Object.values(groups).map(({ label, table }) => nearTable(table, label));
  const kept = page.tabled.filter((name) => name in page.properties).map((name) => page.properties[name].label);
  by("factors").append(make("p", {}, `Tables hold ${listed(kept)} as drawn; a page of a lung whose formulas a page can hold (--lung tube), or a served study, moves these too.`));
  by("near_tables").replaceChildren(make("p", {}, page.tables_say), ...tables);
}

start();
