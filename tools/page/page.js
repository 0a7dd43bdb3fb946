// Live parts of the bench page: one socket, bars, traces, hold-to-move, and stop. Nothing is fetched from elsewhere.
"use strict";
(() => {
  const KEEP_S = 130; // seconds of trace that a page keeps; the bench keeps an hour
  const traces = {}; // key -> rows [time, position, setpoint, velocity, load], oldest first
  const shots = {};
  let socket = null, heardAt = 0, lastNumber = -1, moved = performance.now(), paused = false, frozenAt = null;
  let held = null; // {axis, hold, timer, button}
  const at = (id) => document.getElementById(id);
  const show = (card, name) => card.querySelector(`[data-show=${name}]`);

  // --- the socket -------------------------------------------------------------------------------------------------
  function connect() {
    socket = new WebSocket((location.protocol === "https:" ? "wss://" : "ws://") + location.host + "/bench");
    for (const key of Object.keys(traces)) traces[key].length = 0; // the bench sends them anew
    socket.onmessage = (event) => hear(JSON.parse(event.data));
    socket.onclose = () => { letGo(); setTimeout(connect, 500); };
  }
  function send(data) {
    if (!socket || socket.readyState !== WebSocket.OPEN) return false;
    socket.send(JSON.stringify(data));
    return true;
  }
  function hear(data) {
    heardAt = performance.now();
    if (data.said) say(data.said);
    if (data.ended && held && held.hold === data.ended) letGo();
    if (data.done === "stop") say("Stop was sent to all axes.");
    if (!data.shot) return;
    if (data.shot.number !== lastNumber) { lastNumber = data.shot.number; moved = heardAt; }
    for (const [key, rows] of Object.entries(data.traces)) {
      const kept = (traces[key] ??= []);
      kept.push(...rows);
      const oldest = kept.length ? kept[kept.length - 1][0] - KEEP_S : 0;
      let drop = 0;
      while (drop < kept.length && kept[drop][0] < oldest) drop++;
      if (drop && !paused) kept.splice(0, drop);
      if (paused && kept.length > KEEP_S * 100) kept.splice(0, kept.length - KEEP_S * 100);
    }
    for (const axis of data.shot.axes) { shots[axis.key] = axis; fill(axis, data.shot); }
    tellLink(data.shot);
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
  function say(text) {
    const box = at("said");
    box.textContent = text; box.hidden = false;
    clearTimeout(sayTimer);
    sayTimer = setTimeout(() => { box.hidden = true; }, 8000);
  }

  // --- one axis ---------------------------------------------------------------------------------------------------
  const put = (node, text) => { if (node.textContent !== text) node.textContent = text; };
  function fill(axis, shot) {
    const card = document.querySelector(`[data-axis="${axis.key}"]`);
    if (!card) return;
    card.dataset.state = axis.state;
    put(show(card, "state"), axis.silent ? "silent" : axis.state);
    show(card, "state").title = SETTINGS.states[axis.state] || "";
    const who = axis.owner === 0 ? "free: take it to drive it" : axis.owner === shot.source ? "owned by this page" : `owned by control ${axis.owner}`;
    put(show(card, "owner"), `${SETTINGS.states[axis.state] || axis.state}; ${who}${axis.flags.includes("torque_limited") ? "; torque at its limit" : ""}`);
    const faults = show(card, "faults");
    faults.hidden = !axis.faults.length;
    put(faults, axis.faults.length ? "✗ fault: " + axis.faults.join(", ") : "");
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
    show(card, "load").value = axis.load;
    put(show(card, "loadtext"), `${axis.load} %`);
  }

  // --- stop -------------------------------------------------------------------------------------------------------
  function stop() {
    letGo();
    if (!send({ do: "stop" })) fetch("/stop", { method: "POST", keepalive: true }).catch(() => say("STOP DID NOT GO OUT: cut the power."));
  }
  function isTyping(node) { return node instanceof HTMLInputElement && node.type !== "checkbox" || node instanceof HTMLTextAreaElement; }
  document.addEventListener("keydown", (event) => {
    if (event.key === "Escape" || (event.key === " " && !isTyping(event.target))) {
      if (event.key === " ") event.preventDefault();
      if (!event.repeat) stop();
      return;
    }
    const card = event.target.closest?.(".axis"), step = { ArrowLeft: -1, ArrowRight: 1 }[event.key];
    if (card && step && !isTyping(event.target)) {
      event.preventDefault();
      if (!event.repeat && !held) press(card.querySelector(`[data-jog="${step}"]`));
    }
  }, true);
  document.addEventListener("keyup", (event) => {
    if (event.key === " " && !isTyping(event.target)) event.preventDefault();
    if (event.key.startsWith("Arrow") || event.key === "Shift") letGo();
  }, true);

  // --- hold-to-move -----------------------------------------------------------------------------------------------
  function press(button) {
    if (held) return;
    const card = button.closest(".axis"), speed = parseFloat(card.querySelector("[data-set=speed]").value);
    if (!(speed > 0)) { say("Give a jog speed above 0."); return; }
    const hold = crypto.getRandomValues(new Uint32Array(2)).join("-"), axis = card.dataset.axis;
    if (!send({ do: "press", axis, hold, deg_s: speed * Number(button.dataset.jog) })) { say("Not connected."); return; }
    button.classList.add("on");
    held = { axis, hold, button, timer: setInterval(() => { if (!send({ do: "beat", axis, hold })) letGo(); }, SETTINGS.heartbeat) };
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
    if (button && event.button === 0) { event.preventDefault(); button.focus(); press(button); }
  }, true);
  for (const name of ["pointerup", "pointercancel"]) document.addEventListener(name, letGo, true);
  document.addEventListener("pointermove", (event) => { // sliding off the button lets go
    if (held && event.buttons === 0 && event.pointerType === "mouse" && held.button.matches(":not(:hover)")) letGo();
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
    if (node.dataset.do && !send({ do: node.dataset.do, axis: card.dataset.axis })) say("Not connected.");
    if (node.dataset.ask) emitEvent("ask-" + node.dataset.ask, card.dataset.axis);
    if (node.id === "pause") {
      paused = !paused;
      frozenAt = null;
      node.setAttribute("aria-pressed", String(paused));
      node.textContent = paused ? "Run traces" : "Pause traces";
    }
    if (node.id === "theme") {
      const root = document.documentElement;
      const dark = root.dataset.theme ? root.dataset.theme === "dark" : matchMedia("(prefers-color-scheme: dark)").matches;
      root.dataset.theme = dark ? "light" : "dark";
      document.body.classList.toggle("body--dark", !dark);
      document.body.classList.toggle("body--light", dark);
    }
  });
  document.addEventListener("submit", (event) => {
    const card = event.target.closest(".axis");
    if (!card) return;
    event.preventDefault();
    const deg = parseFloat(card.querySelector("[data-set=goal]").value);
    if (Number.isFinite(deg) && !send({ do: "move", axis: card.dataset.axis, deg })) say("Not connected.");
  });

  // --- traces -----------------------------------------------------------------------------------------------------
  function draw() {
    requestAnimationFrame(draw);
    if (document.hidden) return;
    const seconds = Number(at("span")?.value || 15), style = getComputedStyle(document.documentElement);
    const ink = style.getPropertyValue("--ink"), strong = style.getPropertyValue("--strong").trim();
    const colour = { ink, told: style.getPropertyValue("--vermilion"), place: strong.startsWith("var") ? style.getPropertyValue("--blue") : strong };
    let ends = 0;
    for (const rows of Object.values(traces)) if (rows.length) ends = Math.max(ends, rows[rows.length - 1][0]);
    if (paused) ends = frozenAt ??= ends;
    for (const canvas of document.querySelectorAll(".axis canvas")) {
      const box = canvas.getBoundingClientRect();
      if (box.bottom < 0 || box.top > innerHeight) continue; // not in sight
      drawOne(canvas, box, canvas.closest(".axis").dataset.axis, ends, seconds, colour);
    }
  }
  function drawOne(canvas, box, key, ends, seconds, colour) {
    const ratio = devicePixelRatio || 1, width = Math.round(box.width * ratio), height = Math.round(box.height * ratio);
    if (canvas.width !== width || canvas.height !== height) { canvas.width = width; canvas.height = height; }
    const pen = canvas.getContext("2d"), axis = shots[key], all = traces[key] || [];
    pen.setTransform(ratio, 0, 0, ratio, 0, 0);
    pen.clearRect(0, 0, box.width, box.height);
    let first = all.length;
    while (first > 0 && all[first - 1][0] >= ends - seconds) first--;
    const rows = all.slice(first).filter((row) => row[0] <= ends);
    if (!axis || !rows.length) return;
    let low = Infinity, high = -Infinity;
    for (const row of rows) { low = Math.min(low, row[1], row[2]); high = Math.max(high, row[1], row[2]); }
    const known = axis.calibrated && axis.travel[1] > axis.travel[0];
    if (known) { low = Math.min(low, axis.travel[0]); high = Math.max(high, axis.travel[1]); }
    const room = Math.max(1, high - low) * 0.06; low -= room; high += room;
    const x = (time) => box.width * (1 - (ends - time) / seconds), y = (deg) => box.height * (1 - (deg - low) / (high - low));
    pen.font = "12px system-ui, sans-serif"; pen.fillStyle = colour.ink; pen.strokeStyle = colour.ink;
    if (known) {
      pen.lineWidth = 1; pen.setLineDash([10, 3, 2, 3]);
      for (const [deg, down] of [[axis.travel[0], -4], [axis.travel[1], 13]]) {
        pen.beginPath(); pen.moveTo(0, y(deg)); pen.lineTo(box.width, y(deg)); pen.stroke();
        pen.fillText(`limit ${deg.toFixed(1)} deg`, 4, y(deg) + down);
      }
    }
    const step = Math.max(1, Math.floor(rows.length / (2 * box.width)));
    for (const [column, shade, dash, thick] of [[1, colour.place, [], 2], [2, colour.told, [6, 4], 2]]) {
      pen.beginPath(); pen.strokeStyle = shade; pen.setLineDash(dash); pen.lineWidth = thick;
      for (let i = 0; i < rows.length; i += step) pen.lineTo(x(rows[i][0]), y(rows[i][column]));
      pen.stroke();
    }
    pen.setLineDash([]);
    pen.textAlign = "right";
    pen.fillText(`${seconds} s${paused ? ", paused" : ""}`, box.width - 4, box.height / 2);
    pen.textAlign = "left";
  }
  setInterval(() => { if (performance.now() - heardAt > 1000) tellLink(null); }, 250);
  connect();
  requestAnimationFrame(draw);
})();
