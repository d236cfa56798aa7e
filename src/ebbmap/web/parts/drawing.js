/* Pieces of SVG as text: classes carry the colours, so that dark, lecture and print need no code. */

function line(x1, y1, x2, y2, kind) {
  return `<line x1="${x1.toFixed(1)}" y1="${y1.toFixed(1)}" x2="${x2.toFixed(1)}" y2="${y2.toFixed(1)}" class="${kind}"/>`;
}

function box(x, y, width, height, kind) {
  const sizes = [x, y, Math.max(width, 0), Math.max(height, 0)].map((v) => v.toFixed(1));
  return `<rect x="${sizes[0]}" y="${sizes[1]}" width="${sizes[2]}" height="${sizes[3]}" class="${kind}"/>`;
}

function curve(points, kind) {
  if (!points.length) return "";
  const steps = points.map(([x, y], i) => `${i ? "L" : "M"}${x.toFixed(1)} ${y.toFixed(1)}`);
  return `<path d="${steps.join("")}" class="${kind}"/>`;
}

function area(points, kind) {
  return points.length ? curve(points, kind).replace('" class', 'Z" class') : "";
}

/* Text; `anchor` is start, middle or end. A text in a plot gets a halo of paper. */
function words(x, y, text, anchor = "start", kind = "") {
  return `<text x="${x.toFixed(1)}" y="${y.toFixed(1)}" text-anchor="${anchor}" class="${kind}">${safeText(text)}</text>`;
}
