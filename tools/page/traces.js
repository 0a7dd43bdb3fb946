// Traces over time: one window of time for all axes, one of degrees for each; free zoom and pan by mouse, touch, keys.
const GUTTER = 46, STRIP = 18, SHORTEST_S = 0.2, LONGEST_S = 3600, FRAME_MS = 30;
const view = { span: 15, end: null }; // end null: live
const upright = {}; // key -> [low, high] in degrees; without: all of it
const older = {}; // key -> {begin, end, rows, asked} fetched from the bench
let drawn = 0; // frames, for measuring
let lastDraw = 0;

function lower(rows, time) { // first row at or after a time
  let low = 0, high = rows.length;
  while (low < high) { const middle = (low + high) >> 1; if (rows[middle][0] < time) low = middle + 1; else high = middle; }
  return low;
}
function newest() {
  let ends = 0;
  for (const rows of Object.values(traces)) if (rows.length) ends = Math.max(ends, rows[rows.length - 1][0]);
  return ends;
}
function shownEnd() { // between two messages the picture moves on evenly, a message behind
  return view.end ?? newest() - 0.05 + Math.min(0.05, (performance.now() - heardAt) / 1000);
}
function look(span, end) { // set the window; an end at or past the newest is live
  view.span = Math.min(LONGEST_S, Math.max(SHORTEST_S, span));
  view.end = end === null || end >= newest() ? null : Math.max(end, Math.min(view.span, newest()));
  const choice = at("span"), fits = [...choice.options].find((one) => Number(one.value) === view.span);
  choice.value = fits ? fits.value : "free";
  const paused = view.end !== null, button = at("pause");
  button.setAttribute("aria-pressed", String(paused));
  put(button, paused ? "Run traces" : "Pause traces");
}
const zoomTime = (factor, share = 1) => { // `share` of the width stays where it is; live stays live
  const end = shownEnd(), span = Math.min(LONGEST_S, Math.max(SHORTEST_S, view.span * factor));
  look(span, view.end === null && share > 0.98 ? null : end + (span - view.span) * (1 - share));
};
const pan = (seconds) => look(view.span, shownEnd() + seconds);
function zoomDegrees(key, factor, share = 0.5) {
  const [low, high] = upright[key] || bounds(key), middle = low + (high - low) * share;
  if ((high - low) * factor < 0.02 || (high - low) * factor > 5000) return;
  upright[key] = [middle + (low - middle) * factor, middle + (high - middle) * factor];
}
function panDegrees(key, share) {
  const [low, high] = upright[key] || bounds(key), by = (high - low) * share;
  upright[key] = [low + by, high + by];
}
function reset(key) { if (key) delete upright[key]; else for (const one of Object.keys(upright)) delete upright[one]; look(15, null); }

// --- rows in a window, from this page or from the bench ----------------------------------------------------------
function rowsOf(key, begin, end) {
  const here = traces[key] || [];
  if (!here.length) return here;
  const first = here[0][0];
  const part = here.slice(Math.max(0, lower(here, begin) - 1), lower(here, end) + 1);
  if (begin >= first || first <= 0.1) return part;
  const upto = Math.min(end, first), had = older[key], slack = Math.max(1, view.span / 50);
  if (!had || had.begin > Math.max(0, begin) + 0.01 || had.end < upto - slack) fetchOlder(key, begin, upto);
  return had ? had.rows.slice(Math.max(0, lower(had.rows, begin) - 1), lower(had.rows, upto)).concat(part) : part;
}
function fetchOlder(key, begin, end) {
  const had = older[key] ?? (older[key] = { begin: Infinity, end: -1, rows: [], asked: 0 }), now = performance.now();
  if (now - had.asked < 300) return;
  had.asked = now;
  const from = Math.max(0, begin - view.span / 2), to = end + view.span / 2;
  fetch(`/trace/${key}.json?begin=${from}&end=${to}&points=3000`).then((answer) => answer.ok ? answer.json() : null)
    .then((rows) => { if (rows) older[key] = { begin: from, end: Math.min(to, newest()), rows, asked: now }; }).catch(() => {});
}
function bounds(key) { // degrees that show everything, and the limits
  const axis = shots[key], end = shownEnd(), rows = rowsOf(key, end - view.span, end);
  let low = Infinity, high = -Infinity;
  for (const row of rows) { low = Math.min(low, row[1], row[2]); high = Math.max(high, row[1], row[2]); }
  if (known(axis)) { low = Math.min(low, axis.travel[0]); high = Math.max(high, axis.travel[1]); }
  if (low > high) { low = -1; high = 1; }
  const room = Math.max(1, high - low) * 0.06;
  return [low - room, high + room];
}
const known = (axis) => axis && axis.calibrated && axis.travel[1] > axis.travel[0];

// --- drawing ----------------------------------------------------------------------------------------------------
function draw(now) {
  requestAnimationFrame(draw);
  if (document.hidden || now - lastDraw < FRAME_MS) return;
  lastDraw = now;
  const style = getComputedStyle(document.documentElement), strong = style.getPropertyValue("--strong").trim();
  const colour = { ink: style.getPropertyValue("--ink"), soft: style.getPropertyValue("--line"), told: style.getPropertyValue("--vermilion"),
    place: strong.startsWith("var") ? style.getPropertyValue("--blue") : strong };
  const end = shownEnd();
  let any = false;
  for (const canvas of document.querySelectorAll(".axis canvas")) {
    const box = canvas.getBoundingClientRect();
    if (box.bottom < 0 || box.top > innerHeight) continue; // not in sight
    drawOne(canvas, box, canvas.closest(".axis").dataset.axis, end, colour);
    any = true;
  }
  if (any) drawn++;
}
function steps(low, high, most) { // round numbers between two ends
  const raw = (high - low) / most, base = 10 ** Math.floor(Math.log10(raw)), step = [1, 2, 5, 10].find((one) => one * base >= raw) * base;
  const found = [];
  for (let i = Math.ceil(low / step); i * step <= high; i++) found.push(i * step);
  return { found, places: Math.max(0, -Math.floor(Math.log10(step) + 1e-9)) };
}
function timeText(seconds, step) {
  if (step < 60) return `${+seconds.toFixed(step < 1 ? 2 : 0)} s`.replace("-", "−");
  return `${+(seconds / 60).toFixed(1)} min`.replace("-", "−");
}
function drawOne(canvas, box, key, end, colour) {
  const ratio = devicePixelRatio || 1, width = Math.round(box.width * ratio), height = Math.round(box.height * ratio);
  if (canvas.width !== width || canvas.height !== height) { canvas.width = width; canvas.height = height; }
  const pen = canvas.getContext("2d"), axis = shots[key], begin = end - view.span;
  pen.setTransform(ratio, 0, 0, ratio, 0, 0);
  pen.clearRect(0, 0, box.width, box.height);
  const rows = rowsOf(key, begin, end), wide = box.width - GUTTER - 4, tall = box.height - STRIP - 4;
  if (!axis || !rows.length) return;
  const [low, high] = upright[key] || bounds(key);
  const x = (time) => GUTTER + wide * (time - begin) / view.span, y = (deg) => 4 + tall * (1 - (deg - low) / (high - low));
  pen.font = "12px system-ui, sans-serif";
  pen.lineWidth = 1; pen.setLineDash([]);
  pen.strokeStyle = colour.soft; pen.fillStyle = colour.ink;
  // time below the traces, degrees beside them: no label lies on a trace
  const newestAt = newest(), late = view.end === null ? 0.06 : 0; // live, the edge is a moment behind now
  const times = steps(begin - newestAt, end - newestAt + late, Math.max(2, wide / 90));
  pen.textAlign = "center"; pen.textBaseline = "bottom"; pen.globalAlpha = 0.35;
  pen.beginPath();
  for (const one of times.found) { pen.moveTo(x(one + newestAt), 4); pen.lineTo(x(one + newestAt), 4 + tall); }
  pen.stroke();
  pen.globalAlpha = 1;
  const gap = times.found.length > 1 ? times.found[1] - times.found[0] : view.span;
  for (const one of times.found) {
    const text = Math.abs(one) < gap / 1000 ? "now" : timeText(one, gap), half = pen.measureText(text).width / 2;
    pen.fillText(text, Math.min(Math.max(x(one + newestAt), GUTTER + half), box.width - half - 1), box.height - 1);
  }
  pen.textAlign = "right"; pen.textBaseline = "middle";
  const limits = known(axis) ? axis.travel : [], tick = steps(low, high, Math.max(2, tall / 28)), taken = [];
  const label = (deg, text) => {
    const spot = Math.min(Math.max(y(deg), 9), 4 + tall - 5);
    if (y(deg) < -8 || y(deg) > tall + 16 || taken.some((one) => Math.abs(one - spot) < 14)) return false;
    taken.push(spot);
    pen.fillText(text, GUTTER - 4, spot);
    return true;
  };
  pen.save();
  pen.beginPath(); pen.rect(GUTTER, 0, wide + 4, box.height - STRIP); pen.clip();
  pen.strokeStyle = colour.ink; pen.setLineDash([10, 3, 2, 3]);
  for (const deg of limits) { pen.beginPath(); pen.moveTo(GUTTER, y(deg)); pen.lineTo(GUTTER + wide, y(deg)); pen.stroke(); }
  for (const [column, shade, dash, thick] of [[1, colour.place, [], 2], [2, colour.told, [6, 4], 2]]) {
    pen.beginPath(); pen.strokeStyle = shade; pen.setLineDash(dash); pen.lineWidth = thick;
    line(pen, rows, column, x, y, wide);
    pen.stroke();
  }
  pen.restore();
  pen.font = "bold 12px system-ui, sans-serif";
  for (const deg of limits) label(deg, deg.toFixed(1));
  pen.font = "12px system-ui, sans-serif";
  for (const deg of tick.found) label(deg, deg.toFixed(tick.places).replace("-", "−"));
  pen.strokeStyle = colour.soft; pen.setLineDash([]); pen.lineWidth = 1;
  pen.strokeRect(GUTTER, 4, wide, tall);
  if (view.end !== null) { pen.textAlign = "left"; pen.textBaseline = "bottom"; pen.font = "bold 12px system-ui, sans-serif"; pen.fillText("paused", 1, box.height - 1); }
}
function line(pen, rows, column, x, y, wide) {
  if (rows.length <= 2 * wide) { for (const row of rows) pen.lineTo(x(row[0]), y(row[column])); return; }
  let pixel = null, least = 0, most = 0; // more samples than pixels: the least and the greatest of each
  for (const row of rows) {
    const spot = Math.round(x(row[0])), value = y(row[column]);
    if (spot !== pixel) {
      if (pixel !== null) { pen.lineTo(pixel, least); pen.lineTo(pixel, most); }
      pixel = spot; least = most = value;
    } else { least = Math.min(least, value); most = Math.max(most, value); }
  }
  if (pixel !== null) { pen.lineTo(pixel, least); pen.lineTo(pixel, most); }
}

// --- mouse, touch, keys -----------------------------------------------------------------------------------------
const fingers = new Map(); // pointer -> {x, y} on the canvas that is held
let grip = null; // {canvas, key}
const shareOf = (canvas, event) => {
  const box = canvas.getBoundingClientRect();
  return [Math.min(1, Math.max(0, (event.clientX - box.left - GUTTER) / (box.width - GUTTER - 4))),
    Math.min(1, Math.max(0, 1 - (event.clientY - box.top - 4) / (box.height - STRIP - 4)))];
};
const keyOf = (canvas) => canvas.closest(".axis").dataset.axis;
document.addEventListener("pointerdown", (event) => {
  const canvas = event.target.closest?.(".axis canvas");
  if (!canvas || event.button !== 0 || (grip && grip.canvas !== canvas)) return;
  canvas.setPointerCapture(event.pointerId);
  fingers.set(event.pointerId, { x: event.clientX, y: event.clientY });
  grip = { canvas, key: keyOf(canvas) };
});
document.addEventListener("pointermove", (event) => {
  const was = fingers.get(event.pointerId);
  if (!was || !grip) return;
  const box = grip.canvas.getBoundingClientRect(), wide = box.width - GUTTER - 4, tall = box.height - STRIP - 4;
  const now = { x: event.clientX, y: event.clientY };
  if (fingers.size === 1) {
    if (now.x !== was.x) pan((was.x - now.x) / wide * view.span);
    if (event.shiftKey && now.y !== was.y) panDegrees(grip.key, (now.y - was.y) / tall);
  } else if (fingers.size === 2) {
    const other = [...fingers.entries()].find(([id]) => id !== event.pointerId)[1];
    const before = [Math.abs(was.x - other.x), Math.abs(was.y - other.y)], after = [Math.abs(now.x - other.x), Math.abs(now.y - other.y)];
    const middle = shareOf(grip.canvas, { clientX: (now.x + other.x) / 2, clientY: (now.y + other.y) / 2 });
    if (before[0] >= before[1] && after[0] > 8) zoomTime(before[0] / after[0], middle[0]);
    else if (after[1] > 8 && before[1] > 8) zoomDegrees(grip.key, before[1] / after[1], middle[1]);
  }
  fingers.set(event.pointerId, now);
});
for (const name of ["pointerup", "pointercancel"]) document.addEventListener(name, (event) => {
  fingers.delete(event.pointerId);
  if (!fingers.size) grip = null;
});
document.addEventListener("wheel", (event) => { // the page scrolls past traces that nobody has clicked
  const canvas = event.target.closest?.(".axis canvas");
  if (!canvas || !(event.ctrlKey || document.activeElement === canvas)) return;
  event.preventDefault();
  const [along, up] = shareOf(canvas, event), factor = 1.0015 ** (event.deltaY || event.deltaX);
  if (event.shiftKey) zoomDegrees(keyOf(canvas), factor, up); else zoomTime(factor, along);
}, { passive: false });
document.addEventListener("dblclick", (event) => {
  const canvas = event.target.closest?.(".axis canvas");
  if (canvas) reset(keyOf(canvas));
});
document.addEventListener("keydown", (event) => {
  const canvas = event.target.closest?.(".axis canvas");
  if (!canvas || event.ctrlKey || event.altKey || event.metaKey) return;
  const key = keyOf(canvas);
  const work = {
    ArrowLeft: () => pan(-view.span / 5), ArrowRight: () => pan(view.span / 5),
    ArrowUp: () => panDegrees(key, 0.2), ArrowDown: () => panDegrees(key, -0.2),
    "+": () => zoomTime(0.5), "=": () => zoomTime(0.5), "-": () => zoomTime(2),
    PageUp: () => zoomDegrees(key, 0.5), PageDown: () => zoomDegrees(key, 2),
    Home: () => look(view.span, 0), End: () => look(view.span, null), 0: () => reset(key), p: pause,
  }[event.key];
  if (work) { event.preventDefault(); work(); }
});
function pause() { look(view.span, view.end === null ? newest() - 1e-6 : null); }
document.addEventListener("click", (event) => {
  const node = event.target.closest?.("button");
  if (!node) return;
  if (node.id === "pause") pause();
  const work = { in: () => zoomTime(0.5), out: () => zoomTime(2), older: () => pan(-view.span / 2), newer: () => pan(view.span / 2), live: () => reset() }[node.dataset.view];
  if (work) work();
});
document.addEventListener("change", (event) => { if (event.target.id === "span" && event.target.value !== "free") look(Number(event.target.value), view.end); });
