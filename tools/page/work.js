// Takes, measurements and their reports, matched pairs.
let keptSeen = -1, measureSeen = "", measureHidden = "";
const clock = (s) => `${s >= 3600 ? Math.floor(s / 3600) + ":" : ""}${String(Math.floor(s / 60) % 60).padStart(s >= 3600 ? 2 : 1, "0")}:${String(Math.floor(s) % 60).padStart(2, "0")}`;
const size = (bytes) => bytes >= 1e9 ? `${(bytes / 1e9).toFixed(1)} GB` : bytes >= 1e6 ? `${(bytes / 1e6).toFixed(1)} MB` : `${(bytes / 1e3).toFixed(0)} kB`;
function lasting(s) { return s > 2 * 86400 ? `${Math.floor(s / 86400)} days` : s > 7200 ? `${Math.floor(s / 3600)} h` : s > 120 ? `${Math.floor(s / 60)} min` : `${Math.floor(s)} s`; }

function tellWork(shot) {
  if (!at("take")) return; // the page is not built yet
  tellTake(shot.take);
  tellMeasure(shot.measure);
  for (const panel of document.querySelectorAll(".pair")) tellPair(panel);
  if (shot.kept !== keptSeen && at("kept")) { keptSeen = shot.kept; tellKept(); }
}

// --- take -------------------------------------------------------------------------------------------------------
function tellTake(take) {
  const box = at("take");
  box.classList.toggle("on", take.running);
  put(at("take-now"), take.running ? `● ${take.name}` : take.problem ? `✗ ${take.name} ended early` : take.name ? `${take.name} has ended` : "none");
  put(at("take-time"), take.name ? clock(take.seconds) : ""); // apart, so that a reader does not speak every second
  if (!at("record")) return;
  at("record").disabled = take.running;
  at("record-end").disabled = !take.running;
  let text = "";
  if (take.name) {
    text = `${clock(take.seconds)}, ${take.samples} samples, ${take.lost ? take.lost + " lost on the way" : "none lost on the way"}, ${size(take.bytes)}.`;
    if (take.running) text += ` ${size(take.free)} are free on the disk${take.lasts_s === null ? "" : `, enough for about ${lasting(take.lasts_s)}`}.`;
    if (take.problem) text += ` ✗ ${take.problem}`;
  }
  put(at("take-figures"), text);
  at("take-figures").classList.toggle("faults", Boolean(take.problem));
  if (take.problem && !box.dataset.told) { box.open = true; say(`The take ${take.name} ended early: its panel says why, and what is kept.`, 30); }
  box.dataset.told = take.problem ? "1" : "";
}
document.addEventListener("submit", (event) => {
  const form = event.target;
  if (form.id === "take-form") {
    event.preventDefault();
    ask({ do: "record", name: at("take-name").value });
  } else if (form.dataset.pairForm) {
    event.preventDefault();
    ask({ do: "pair", pair: Number(form.dataset.pairForm), value: form.querySelector("[data-set=value]").value });
  }
});
function nextName() { // "scene 1" becomes "scene 2": the name that stands there is not taken yet
  const field = at("take-name"), found = /^(.*?)(\d+)$/.exec(field.value);
  field.value = found ? found[1] + (Number(found[2]) + 1) : field.value + " 2";
}

// --- measurement ------------------------------------------------------------------------------------------------
function tellMeasure(one) {
  const box = at("measure"), id = `${one.run} ${one.title} ${one.axis}`;
  box.hidden = !one.title || (!one.running && measureHidden === id);
  if (!one.title) return;
  put(at("measure-time"), one.running ? `${clock(one.seconds)}, ${shots[one.axis]?.state ?? ""}` : "");
  put(at("measure-now"), one.running ? `${one.title} of ${one.axis}: ${one.done} of ${one.of} done. STOP ALL ends it.`
    : `${one.title} of ${one.axis}: ${[one.verdict, one.problem].filter(Boolean).join(" ")}`);
  box.classList.toggle("on", one.running);
  box.classList.toggle("failed", !one.running && one.failed);
  const bar = at("measure-bar");
  bar.hidden = !one.running;
  if (one.of > 1) { bar.max = one.of; bar.value = one.done; } else bar.removeAttribute("value");
  at("measure-show").hidden = one.running || !one.run;
  at("measure-show").dataset.run = one.run;
  at("measure-hide").hidden = one.running;
  at("measure-hide").dataset.id = id;
  if (measureSeen === "running" && !one.running) say(`Measurement ended. ${one.verdict || one.problem}`, 12);
  measureSeen = one.running ? "running" : "ended";
}
function showReport(run) {
  at("report-name").textContent = run;
  at("report-tab").href = at("report-page").src = `/report/${encodeURIComponent(run)}/bench.html`;
  at("report").hidden = false;
  at("report-close").focus();
}
document.addEventListener("load", (event) => { // keys pressed in the report stop too
  const inside = event.target.id === "report-page" && event.target.contentDocument;
  if (inside) inside.addEventListener("keydown", stopKey, true);
}, true);

// --- pairs ------------------------------------------------------------------------------------------------------
function tellPair(panel) {
  const left = shots[panel.dataset.left], right = shots[panel.dataset.right];
  if (!left || !right) return;
  for (const [name, one] of [["left", left], ["right", right]]) put(show(panel, name), one.calibrated ? `${one.value || "outside the marks"}, ${one.position.toFixed(2)} deg, ${one.state}` : `travel not known, ${one.state}`);
  const near = (one) => one.value.split(" · ")[0];
  put(show(panel, "pair"), left.value && right.value && left.calibrated && right.calibrated ? (near(left) === near(right) ? `= both at ${near(left)}` : `≠ ${near(left)} and ${near(right)}`) : "");
}

// --- what is kept -----------------------------------------------------------------------------------------------
function tellKept() {
  fetch("/kept.json").then((answer) => answer.json()).then((kept) => {
    const many = (rows, word) => `${rows.length} ${word}${rows.length === 1 ? "" : "s"}`;
    put(at("kept-now"), `${many(kept.takes, "take")}, ${many(kept.runs, "report")}`);
    const field = at("take-name"), used = new Set(kept.takes.map((one) => one.name.replace(/\.mcap$/, "")));
    const free = field && (document.activeElement !== field || field.value.trim() === last.take.name); // nobody is writing in it
    for (let tries = 0; free && tries < 300 && used.has(field.value.trim()); tries++) nextName();
    const rows = [...kept.takes.map((one) => ["take", one]), ...kept.runs.map((one) => ["run", one])].sort((a, b) => b[1].at - a[1].at);
    at("kept-list").replaceChildren(...rows.map(([kind, one]) => {
      const row = document.createElement("li"), name = document.createElement("span"), when = new Date(1000 * one.at).toLocaleString();
      name.textContent = `${one.name} `;
      const about = document.createElement("small");
      about.textContent = kind === "take" ? `${size(one.bytes)}, ${when}` : when;
      let act;
      if (kind === "take" && last.take.running && one.name === `${last.take.name}.mcap`) {
        act = document.createElement("b");
        act.textContent = "● being recorded";
      } else if (kind === "take") {
        act = document.createElement("a");
        act.href = `/take/${encodeURIComponent(one.name)}`; act.download = one.name; act.textContent = "Download";
      } else {
        act = document.createElement("button");
        act.type = "button"; act.dataset.run = one.name; act.textContent = "Show report";
      }
      if (act.tagName !== "B") act.setAttribute("aria-label", `${act.textContent} ${one.name}`);
      row.append(name, about, act);
      return row;
    }));
  }).catch(() => { keptSeen = -1; });
}
document.addEventListener("click", (event) => {
  const node = event.target.closest?.("button");
  if (!node) return;
  if (node.dataset.run) showReport(node.dataset.run);
  if (node.id === "record-end") ask({ do: "record-end" });
  if (node.id === "measure-hide") { measureHidden = node.dataset.id; at("measure").hidden = true; }
  if (node.id === "report-close") { at("report").hidden = true; at("report-page").src = "about:blank"; }
  if (node.dataset.pairTake) ask({ do: "pair-take", pair: Number(node.dataset.pairTake) });
});
// For measuring, and for tests.
window.benchSeen = seen; // for the questions
window.benchFigures = () => ({ drawn, ...view, upright: { ...upright }, stopAsked,
  older: Object.fromEntries(Object.entries(older).map(([key, one]) => [key, { begin: one.begin, rows: one.rows.length }])), rows: Object.values(traces).reduce((sum, rows) => sum + rows.length, 0) });
connect();
requestAnimationFrame(draw);
