/* What can be taken along: a study, a picture, Python, a link. */

function quoted(text) {
  return JSON.stringify(String(text));
}

/* A number as TOML has it: with a point. */
function tomlNumber(value) {
  const text = String(value);
  return /[.e]/.test(text) ? text : `${text}.0`;
}

/* The question as a study file. */
function studyText() {
  const settings = Object.entries({ ...page.held, ...settingsNow() }).filter(([name]) => name !== state.x.name && name !== state.y.name);
  const moved = page.bounds.some((b) => !b.rule && (state.limits[b.name] !== b.value || state.off[b.name]));
  const rules = page.rules.filter((rule) => state.rules[rule]);
  const changed = Object.entries(state.factors).filter(([name, factor]) => factor !== 1 && name in groups[state.group].columns);
  const rows = [
    `# ${by("caution").textContent}`,
    ...changed.map(([name, factor]) => `# The page multiplied ${name} of every lung by ${factor.toPrecision(4)}; this study does not.`),
    ...(state.onlyBrushed ? ["# The page counted brushed lungs only; this study counts all."] : []),
    `title = ${quoted(`Explored: ${page.sliders[state.x.name]?.label ?? state.x.name} and ${page.sliders[state.y.name]?.label ?? state.y.name}`)}`,
    `lung = ${quoted(page.lung)}`,
    `seed = ${page.seed}`,
    `lungs = ${page.count}`,
    `populations = [${quoted(state.group)}]`,
    "",
    "[fixed]",
    ...settings.map(([name, value]) => `${name} = ${tomlNumber(value)}`),
    "",
    "[axes]",
    ...[state.x, state.y].map((axis) => `${axis.name} = { start = ${tomlNumber(axis.from)}, stop = ${tomlNumber(axis.to)}, count = ${page.cells} }`),
    "",
    "[limits]",
  ];
  // two rules at once are one set of limits, since a study compares the rules that it names
  const own = page.bounds.filter((b) => (moved && !b.rule) || (b.rule && state.rules[b.rule] && (rules.length > 1 || state.limits[b.name] !== b.value || moved)));
  const named = own.some((b) => b.rule) ? [] : rules;
  rows.push(`sets = [${moved ? "" : '"harm"'}]`, `rules = [${named.map(quoted).join(", ")}]`);
  for (const b of own.filter(isOn)) {
    const severity = b.name.startsWith("caution_") ? "caution" : "hard";
    rows.push("", "[[limits.own]]", `outcome = ${quoted(b.outcome)}`, `${b.side} = ${tomlNumber(state.limits[b.name])}`, `width = ${tomlNumber(b.width)}`, `severity = ${quoted(severity)}`, `why = ${quoted(b.why)}`);
  }
  rows.push("", "[[analyses.map]]", `x = ${quoted(state.x.name)}`, `y = ${quoted(state.y.name)}`, "");
  return rows.join("\n");
}

/* The same as Python. */
function pythonText() {
  return `import ebbmap\n\nresults = ebbmap.run('''\n${studyText()}''')\nprint(results)\n`;
}

function startSaving() {
  by("save_study").addEventListener("click", () => {
    download("explored.toml", studyText(), "application/toml");
    announce("Study saved: run it with ebbmap run explored.toml.");
  });
  by("save_picture").addEventListener("click", () => {
    by("map").toBlob((blob) => download("explored.png", blob, "image/png"));
    announce("Picture saved.");
  });
  by("copy_python").addEventListener("click", () => copyText(pythonText(), "Python copied."));
  by("link").addEventListener("click", () => copyText(linkTo(addressOf()), "Link copied: it opens this page as it is now."));
}
