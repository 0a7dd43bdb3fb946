// Live parts of the bench page: one socket, axes, hold-to-move, and stop. Nothing is fetched from elsewhere.
// The scripts of the page are one function: traces.js and work.js use what is declared here.
const KEEP_S = 130; // seconds of trace that a page keeps; the bench keeps an hour
const traces = {}; // key -> rows [time, position, setpoint, velocity, load], oldest first
const shots = {};
let last = null; // the last picture of the whole bench
let socket = null, heardAt = 0, lastNumber = -1, moved = performance.now();
let held = null; // {axis, hold, timer, button}
let stopAsked = 0; // when stop was pressed and not yet confirmed
const at = (id) => document.getElementById(id);
const show = (card, name) => card.querySelector(`[data-show=${name}]`);

// --- the socket -------------------------------------------------------------------------------------------------
function connect() {
  const one = socket = new WebSocket((location.protocol === "https:" ? "wss://" : "ws://") + location.host + "/bench");
  let fresh = true;
  one.onmessage = (event) => {
    if (one !== socket) return; // an old line that has come back to life
    if (fresh) for (const key of Object.keys(traces)) traces[key].length = 0; // the bench sends them anew
    fresh = false;
    hear(JSON.parse(event.data));
  };
  one.onclose = () => { if (one === socket) lost(); };
}
function lost() {
  letGo();
  const old = socket;
  socket = null;
  if (old) { old.onclose = null; old.close(); }
  setTimeout(() => { if (!socket) connect(); }, 500);
}
function send(data) {
  if (!socket || socket.readyState !== WebSocket.OPEN) return false;
  socket.send(JSON.stringify({ ...data, seen: seen() })); // the bench does not obey what hung on its way
  return true;
}
const seen = () => last ? last.sent : 0;
const hung = () => performance.now() - heardAt > 1000; // what is asked now could be done later, when nobody expects it
function ask(data) { if (hung() || !send(data)) say("Nothing is heard from the bench: nothing was asked."); }
function hear(data) {
  heardAt = performance.now();
  if (data.said && data.of === "stop") notOut(data.said);
  else if (data.said) say(data.said);
  if (data.ended && held && held.hold === data.ended) letGo();
  if (data.done === "stop") stopSent();
  if (!data.shot) return;
  last = data.shot;
  if (data.shot.number !== lastNumber) { lastNumber = data.shot.number; moved = heardAt; }
  for (const [key, rows] of Object.entries(data.traces)) {
    const kept = (traces[key] ??= []);
    kept.push(...rows);
    const oldest = kept.length ? kept[kept.length - 1][0] - KEEP_S : 0;
    if (kept.length && kept[0][0] < oldest - 5) kept.splice(0, lower(kept, oldest)); // now and then, not each time
  }
  for (const axis of data.shot.axes) { shots[axis.key] = axis; fill(axis, data.shot); }
  tellLink(data.shot);
  tellWork(data.shot);
}
function tellLink(shot) {
  const now = performance.now(), box = at("link");
  if (!box) return;
  let words = shot ? shot.link : "", bad = "";
  if (now - heardAt > 1000) bad = "The page hears nothing from the bench: what it shows is old.";
  else if (shot && !shot.alive) bad = shot.problem || "The bench has ended.";
  else if (now - moved > 1000) bad = "The link hangs: what the page shows is old.";
  else if (shot && shot.problem) bad = shot.problem;
  if (!bad && shot && shot.slipped > 1) words += ` (simulation is ${shot.slipped.toFixed(0)} s behind in all)`;
  const text = bad ? "✗ " + bad : "✓ " + words;
  if (box.textContent !== text && (shot || bad)) box.textContent = text;
  box.classList.toggle("bad", Boolean(bad));
  document.body.classList.toggle("stale", Boolean(bad));
}
let sayTimer = 0;
function say(text, seconds = 8) {
  const box = at("said");
  box.textContent = text; box.hidden = false;
  clearTimeout(sayTimer);
  sayTimer = setTimeout(() => { box.hidden = true; }, 1000 * seconds);
}

// --- one axis ---------------------------------------------------------------------------------------------------
const put = (node, text) => { if (node && node.textContent !== text) node.textContent = text; };
function fill(axis, shot) {
  const card = document.querySelector(`[data-axis="${axis.key}"]`);
  if (!card) return;
  card.dataset.state = axis.state;
  put(show(card, "state"), axis.silent ? "silent" : axis.state);
  show(card, "state").title = SETTINGS.states[axis.state] || "";
  const other = axis.owner !== 0 && axis.owner !== shot.source;
  const who = axis.owner === 0 ? "free: take it to drive it" : other ? `owned by control ${axis.owner}` : "owned by this page";
  put(show(card, "owner"), axis.silent ? "nothing is heard from it: what stands here is old" : `${SETTINGS.states[axis.state] || axis.state}; ${who}${axis.flags.includes("torque_limited") ? "; torque at its limit" : ""}`);
  card.querySelector("[data-ask=force]").hidden = !other;
  card.querySelector("[data-do=take]").hidden = other;
  const faults = show(card, "faults");
  faults.hidden = !axis.faults.length;
  const told = (name) => SETTINGS.faults[name] ? `${name}: ${SETTINGS.faults[name]}` : name;
  put(faults, axis.faults.length ? `✗ fault: ${axis.faults.map(told).join("; ")}. Mend its cause, then Clear fault.` : "");
  const [low, high] = axis.travel, span = high - low, known = axis.calibrated && span > 0;
  const bar = show(card, "bar");
  bar.classList.toggle("unknown", !known);
  const spot = (deg) => Math.min(99, Math.max(1, 8 + 84 * (deg - low) / span)) + "%";
  if (known) {
    bar.querySelector(".place").style.left = spot(axis.position);
    bar.querySelector(".told").style.left = spot(axis.setpoint);
    bar.setAttribute("aria-label", `${axis.position.toFixed(1)} degrees, in a travel of ${low.toFixed(1)} to ${high.toFixed(1)}`);
  }
  put(show(card, "low"), known ? `${low.toFixed(1)} deg` : "travel not known: slow motion only");
  put(show(card, "high"), known ? `${high.toFixed(1)} deg` : "");
  put(show(card, "position"), `${axis.position.toFixed(2)} deg`);
  put(show(card, "setpoint"), `${axis.setpoint.toFixed(2)} deg`);
  put(show(card, "velocity"), `${axis.velocity.toFixed(1)} deg/s`);
  put(show(card, "winding"), `${axis.winding.toFixed(0)} °C`);
  put(show(card, "value"), known ? axis.value || "outside the marks" : "travel not known");
  put(show(card, "aim"), known && axis.aim && axis.aim !== axis.value ? `▼ ${axis.aim}` : "");
  show(card, "load").value = axis.load;
  put(show(card, "loadtext"), `${axis.load} %`);
  fillGuide(card, axis.guide);
}
const GUIDE_DEG = 45; // of the ring, from the middle of the track to its end
function fillGuide(card, guide) {
  const box = show(card, "guide");
  box.hidden = !guide;
  if (!guide) return;
  const far = guide.distance, way = far === null ? "?" : guide.met ? "● met" : `${far > 0 ? "▲ up" : "▼ down"} ${Math.abs(far).toFixed(1)} deg`;
  const name = `control ${guide.control}${guide.name ? ` (${guide.name})` : ""}`;
  put(show(card, "guide-way"), guide.fresh ? `${name}: ${way}` : `${name}: not heard`);
  put(show(card, "guide-told"), guide.told);
  box.dataset.phase = guide.fresh ? (guide.met ? "met" : far === null ? "unsure" : far > 0 ? "up" : "down") : "lost";
  const track = show(card, "guide-track"), mark = track.querySelector(".control");
  put(mark, far === null || !guide.fresh ? "?" : guide.met ? "●" : far > 0 ? "▶" : "◀");
  mark.style.left = `${50 - 46 * Math.max(-1, Math.min(1, (far || 0) / GUIDE_DEG))}%`; // ring less control: a control below stands left
  const label = `${name} must go ${way.replace("▲ ", "").replace("▼ ", "").replace("● ", "")} to meet the ring`;
  if (track.getAttribute("aria-label") !== label) track.setAttribute("aria-label", label);
}

// --- stop -------------------------------------------------------------------------------------------------------
function stop() {
  letGo();
  const sent = send({ do: "stop" });
  stopAsked = performance.now();
  if (!sent || hung()) otherWay();
}
function stopSent() { // nobody answers a stop: what is heard of the axes says whether it can have arrived
  stopAsked = 0;
  const deaf = last ? last.axes.filter((one) => one.silent).map((one) => one.key).join(", ") : "";
  if (deaf) say(`Stop was sent, but nothing is heard from ${deaf}: BE READY TO CUT THE POWER.`, 60);
  else if (last && last.problem) say("Stop was sent, but the link is not well: BE READY TO CUT THE POWER.", 60);
  else say("Stop was sent to all axes.");
}
function notOut(why = "") {
  stopAsked = 0;
  say(`STOP DID NOT GO OUT: cut the power. ${why}`.trim(), 60);
}
function otherWay() { // past a line that hangs
  fetch("/stop", { method: "POST", keepalive: true })
    .then(async (answer) => { if (answer.ok) stopSent(); else notOut(await answer.text()); })
    .catch(() => notOut());
}
let otherAsked = 0;
setInterval(() => { // no answer: try the other way, and say so
  if (stopAsked && performance.now() - stopAsked > 700 && otherAsked !== stopAsked) {
    otherAsked = stopAsked;
    say("STOP IS NOT CONFIRMED YET: be ready to cut the power.", 60);
    otherWay();
  }
}, 100);
function isTyping(node) { // where a space is part of what somebody writes
  return node instanceof HTMLInputElement && node.type === "text" && !node.readOnly || node instanceof HTMLTextAreaElement;
}
function stopKey(event) {
  if (event.key !== "Escape" && (event.key !== " " || isTyping(event.target))) return false;
  if (event.key === " ") event.preventDefault();
  if (!event.repeat) stop();
  return true;
}
document.addEventListener("keydown", (event) => {
  if (stopKey(event)) return;
  // Only on the axis itself or its jog buttons: elsewhere arrows mean something else, and must not move a motor.
  const card = event.target.closest?.(".axis"), step = { ArrowLeft: -1, ArrowRight: 1 }[event.key];
  if (event.ctrlKey || event.altKey || event.metaKey) return; // the browser's own: Alt and an arrow goes back a page
  if (card && step && (event.target === card || event.target.classList.contains("hold"))) {
    event.preventDefault();
    if (!event.repeat && !held) press(card.querySelector(`[data-jog="${step}"]`));
  }
}, true);
document.addEventListener("keyup", (event) => {
  if (event.key === " " && !isTyping(event.target)) event.preventDefault();
  if (event.key.startsWith("Arrow") || event.key === "Shift") letGo();
}, true);

// --- hold-to-move -----------------------------------------------------------------------------------------------
function press(button, pointer) {
  if (held) return;
  const card = button.closest(".axis"), speed = parseFloat(card.querySelector("[data-set=speed]").value);
  if (!(speed > 0)) { say("Give a jog speed above 0."); return; }
  const hold = crypto.getRandomValues(new Uint32Array(2)).join("-"), axis = card.dataset.axis;
  if (hung() || !send({ do: "press", axis, hold, deg_s: speed * Number(button.dataset.jog) })) { say("Nothing is heard from the bench: nothing was asked."); return; }
  button.classList.add("on");
  held = { axis, hold, button, pointer, timer: setInterval(() => { if (!send({ do: "beat", axis, hold })) letGo(); }, SETTINGS.heartbeat) };
}
function letGo() {
  if (!held) return;
  const { axis, hold, button, timer } = held;
  held = null;
  clearInterval(timer);
  button.classList.remove("on");
  send({ do: "free", axis, hold });
}
document.addEventListener("pointerdown", (event) => {
  if (event.target.closest?.("#stop")) { stop(); return; }
  const button = event.target.closest?.(".hold");
  if (button && event.button === 0) { event.preventDefault(); button.focus(); press(button, event.pointerId); }
}, true);
for (const name of ["pointerup", "pointercancel"]) document.addEventListener(name, letGo, true);
const DRIFT = 12; // px that a finger may roll over the button's edge
document.addEventListener("pointermove", (event) => { // sliding off the button lets go: somebody scrolls, or looks elsewhere
  if (!held || held.pointer !== event.pointerId) return;
  const box = held.button.getBoundingClientRect(), { clientX: x, clientY: y } = event;
  const on = x > box.left - DRIFT && x < box.right + DRIFT && y > box.top - DRIFT && y < box.bottom + DRIFT;
  if (!on || event.buttons === 0) letGo(); // no button: a mouse that was released elsewhere
}, true);
document.addEventListener("contextmenu", (event) => { if (event.target.closest?.(".hold")) event.preventDefault(); });
document.addEventListener("visibilitychange", () => { if (document.hidden) letGo(); });
for (const name of ["blur", "pagehide", "offline"]) addEventListener(name, letGo);

// --- other buttons ----------------------------------------------------------------------------------------------
document.addEventListener("click", (event) => {
  const node = event.target.closest?.("button");
  if (!node) return;
  if (node.id === "stop") { if (event.detail === 0) stop(); return; } // by keyboard or a reader; a pointer has stopped already
  const card = node.closest(".axis");
  if (node.dataset.do) ask({ do: node.dataset.do, axis: card.dataset.axis });
  if (node.dataset.ask) {
    if (hung() || (linked && !window.socket.connected)) say("Nothing is heard from the bench: nothing was asked.");
    else emitEvent("ask-" + node.dataset.ask, card.dataset.axis);
  }
  if (node.id === "theme") {
    const root = document.documentElement;
    const dark = root.dataset.theme ? root.dataset.theme === "dark" : matchMedia("(prefers-color-scheme: dark)").matches;
    root.dataset.theme = dark ? "light" : "dark";
    window.Quasar?.Dark?.set(!dark);
  }
});
document.addEventListener("submit", (event) => {
  const form = event.target, card = form.closest(".axis");
  if (!card) return;
  event.preventDefault();
  if (form.classList.contains("value")) {
    ask({ do: "value", axis: card.dataset.axis, value: form.querySelector("[data-set=value]").value });
    return;
  }
  const deg = parseFloat(card.querySelector("[data-set=goal]").value);
  if (Number.isFinite(deg)) ask({ do: "move", axis: card.dataset.axis, deg });
});
document.addEventListener("change", (event) => { // a mark only fills the field: nothing moves before the button
  if (event.target.dataset.set !== "mark" || !event.target.value) return;
  event.target.closest("form").querySelector("[data-set=value]").value = event.target.value;
});
let linked = false; // the line of the questions was there once; before, what is pressed waits for it
setInterval(() => {
  linked ||= Boolean(window.socket?.connected);
  const silence = performance.now() - heardAt;
  if (silence > 1000) { letGo(); tellLink(null); }
  if (silence > 3000 && socket) { heardAt = performance.now() - 1500; lost(); } // a line that hangs is given up
}, 250);
