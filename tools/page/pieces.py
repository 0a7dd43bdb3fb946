"""The pieces of the page as HTML. What changes in them is filled in by the scripts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from html import escape

from ringlet.tools.cli_common import CAUTION
from ringlet.tools.page.scales import EXAMPLES, Scale
from ringlet.tools.page.snapshot import AxisShot
from ringlet.tools.page.taking import IF_FULL
from ringlet.tools.places import Place

SPANS = ((5, "5 s"), (15, "15 s"), (30, "30 s"), (120, "2 min"), (600, "10 min"), (3600, "1 h"))
"""Windows of the traces, s."""
VIEW = (
    ("in", "+", "Zoom in: a shorter time"), ("out", "−", "Zoom out: a longer time"),
    ("older", "◀", "Earlier"), ("newer", "▶", "Later"), ("live", "Live", "Live, all of it in view"),
)  # fmt: skip
"""Buttons for the traces: name, sign, meaning."""


def head(link: str) -> str:
    """The head, which stays in view, and stop."""
    spans = "".join(f'<option value="{s}"{" selected" if s == 15 else ""}>{text}</option>' for s, text in SPANS)
    view = "".join(
        f'<button type="button" data-view="{name}" aria-label="{about}" title="{about}">{sign}</button>'
        for name, sign, about in VIEW
    )
    return f"""
<header id="top">
  <h1>Ringlet bench</h1>
  <p id="link" role="status" aria-live="polite">· {escape(link)}: connecting</p>
  <div class="tools" role="group" aria-label="Traces">
    <button id="pause" type="button" aria-pressed="false">Pause traces</button>
    <label>Window <select id="span">{spans}<option value="free" hidden>zoomed</option></select></label>
    {view}
    <button id="theme" type="button" aria-label="Light or dark" title="Light or dark">◐</button>
  </div>
</header>
<button id="stop" type="button" aria-keyshortcuts="Escape Space">■ STOP ALL <small>Esc or space</small></button>
<p id="said" role="alert" aria-live="assertive" hidden></p>
<p class="caution"><b>Caution</b> {escape(CAUTION.removeprefix("Caution: "))}</p>"""


def work(pairs: Sequence[tuple[AxisShot, AxisShot, Scale | None]], folder: str) -> str:
    """Panels above the axes: take, measurement, pairs, and what is kept."""
    return (
        '<div id="work">' + _take(folder) + _measure()
        + "".join(_pair(number, *pair) for number, pair in enumerate(pairs)) + _kept(folder) + "</div>"
    )  # fmt: skip


def _take(folder: str) -> str:
    inner = (
        f"""
  <form id="take-form" class="row">
    <label>name <input type="text" id="take-name" maxlength="60" value="take 1" autocomplete="off" required></label>
    <button type="submit" id="record">● Record</button>
    <button type="button" id="record-end" disabled>■ End</button>
  </form>
  <p id="take-figures" class="figures"></p>
  <p class="legend">All axes, up to 50 samples a second, into {escape(folder)}. {escape(IF_FULL)} STOP ALL
    does not end a take.</p>"""
        if folder
        else "<p>To record, start the page with --folder DIR: takes go there and nowhere else.</p>"
    )
    return f"""
<details class="panel" id="take"><summary><b>Recording</b> <span id="take-now" role="status">none</span>
  <span id="take-time"></span></summary>{inner}
</details>"""


def _measure() -> str:
    return """
<section class="panel" id="measure" aria-label="Measurement" hidden>
  <p><b>Measurement</b> <span id="measure-now" role="status"></span>
    <span id="measure-time"></span></p>
  <progress id="measure-bar" aria-label="finished measurements"></progress>
  <div class="row"><button type="button" id="measure-show" hidden>Show report</button>
    <button type="button" id="measure-hide" hidden>Close</button></div>
</section>"""


def _pair(number: int, left: AxisShot, right: AxisShot, scale: Scale | None) -> str:
    name = f"{escape(left.role)} {left.key} and {right.key}"
    if scale is None:
        form = "<p>No lens marks on both rings: upload some, or start the page with --card.</p>"
    else:
        form = f"""
  <p class="caution">Both motors start at once. Keep fingers off both gears.</p>
  <form class="row" data-pair-form="{number}">
    <button type="button" data-pair-take="{number}" aria-label="Take and enable both, {name}">Take both</button>
    {_value_input(scale, f"both, {name}")}<button type="submit">Move both</button>
  </form>"""
    return f"""
<details class="panel pair" data-pair="{number}" data-left="{left.key}" data-right="{right.key}">
  <summary><b>Pair</b> {name} <span data-show="pair"></span></summary>
  <dl class="two"><div><dt>{left.key}</dt><dd data-show="left"></dd></div>
    <div><dt>{right.key}</dt><dd data-show="right"></dd></div></dl>{form}
</details>"""


def _kept(folder: str) -> str:
    if not folder:
        return ""
    return """
<details class="panel" id="kept"><summary><b>Takes and reports</b> <span id="kept-now"></span></summary>
  <ul id="kept-list"></ul>
</details>"""


def report() -> str:
    """A report over the page, below stop."""
    return """
<section id="report" role="dialog" aria-label="Report" hidden>
  <div class="row"><b id="report-name"></b>
    <a id="report-tab" target="_blank" rel="noopener">Open in a tab</a>
    <button type="button" id="report-close">Close report</button></div>
  <iframe id="report-page" title="Report of a measurement" sandbox="allow-same-origin allow-downloads"></iframe>
</section>"""


def _value_input(scale: Scale, name: str) -> str:
    kind = scale.plain()["kind"]
    marks = "".join(f"<option>{escape(text)}</option>" for text, _ in scale.plain()["marks"])
    return f"""<label>{kind} <input type="text" data-set="value" maxlength="40" size="7" autocomplete="off" required
      placeholder="{escape(EXAMPLES[scale.unit])}" aria-label="{kind} to go to, {name}"></label>
    <select data-set="mark" aria-label="mark of the lens, {name}"><option value="">mark</option>{marks}</select>
    """


def card(one: AxisShot, scales: Mapping[Place, Scale]) -> str:
    """One axis."""
    name = f"{escape(one.role)} {one.key}"
    scale = scales.get((one.node, one.axis))

    def button(what: str, label: str, about: str = "") -> str:
        return f'<button type="button" data-do="{what}" aria-label="{about or label}, {name}">{label}</button>'

    def ask(what: str, label: str, about: str, more: str = "") -> str:
        return f'<button type="button" data-ask="{what}" aria-label="{about}, {name}"{more}>{label}</button>'

    lens = value = ""
    if scale is not None:
        kind = scale.plain()["kind"]
        lens = (f'<div class="lens"><dt>{kind} ({escape(scale.source)})</dt><dd><span data-show="value"></span>'
                '<span class="aim" data-show="aim"></span></dd></div>')  # fmt: skip
        value = (f'<form class="row value">{_value_input(scale, name)}'
                 f'<button type="submit" aria-label="Go to this value, {name}">Go</button></form>')  # fmt: skip
    return f"""
<section class="axis" data-axis="{one.key}" aria-label="Axis {name}" tabindex="0">
  <h2><span class="role">{escape(one.role)}</span> <span class="key">{one.key}</span>
    <span class="state" data-show="state" role="status">starting</span></h2>
  <p class="owner" data-show="owner"></p>
  <p class="faults" data-show="faults" role="status" hidden></p>
  <div class="bar" data-show="bar" role="img" aria-label="travel not known">
    <div class="inside"></div><div class="limit low"></div><div class="limit high"></div>
    <div class="told" title="setpoint">▼</div><div class="place" title="position"></div>
  </div>
  <div class="ends"><span data-show="low"></span><span data-show="high"></span></div>
  <dl>
    <div><dt>position</dt><dd data-show="position"></dd></div>
    <div><dt>setpoint</dt><dd data-show="setpoint"></dd></div>
    <div><dt>velocity</dt><dd data-show="velocity"></dd></div>
    <div><dt>winding</dt><dd data-show="winding"></dd></div>{lens}
    <div class="work"><dt>torque of the limit</dt><dd><meter min="0" max="100" low="70" high="90" optimum="20"
      data-show="load" aria-label="torque, {name}"></meter> <span data-show="loadtext"></span></dd></div>
  </dl>
  <div class="guide" data-show="guide" hidden>
    <p><b data-show="guide-way"></b> <span data-show="guide-told"></span></p>
    <div class="track" role="img" data-show="guide-track" aria-label="hand-back guide">
      <i class="ring" title="ring">◆</i><i class="control" title="control"></i></div>
    <div class="ends"><span>control lower</span><span>◆ ring</span><span>control higher</span></div>
  </div>
  <div class="row">
    {button("take", "Take")}{ask("force", "Take by force…", "Take by force from another control", " hidden")}
    {button("hold", "Enable", "Enable: hold the ring")}
    {button("release", "Release", "Release: the ring turns by hand")}{button("yield", "Yield")}
  </div>
  <div class="row jog">
    <button type="button" class="hold" data-jog="-1" aria-label="Jog back while held, {name}">◀ jog</button>
    <label>at <input type="number" data-set="speed" value="15" min="0.1" max="360" step="1"
      aria-label="jog speed in degrees a second, {name}"> deg/s</label>
    <button type="button" class="hold" data-jog="1" aria-label="Jog on while held, {name}">jog ▶</button>
  </div>
  <form class="row move">
    <label>go to <input type="number" data-set="goal" step="any" required
      aria-label="position to go to in degrees, {name}"> deg</label><button type="submit"
      aria-label="Move to this position, {name}">Move</button>
  </form>
  {value}
  <div class="row">
    {ask("find", "Find stops…", "Find stops at both ends")}{ask("limits", "Limits…", "Limits of its ramps")}
    {ask("measure", "Measure…", "Measure on the bench")}{button("clear-fault", "Clear fault")}
    <a href="/trace/{one.key}.csv" download aria-label="Export the trace as CSV, {name}">CSV</a>
  </div>
  <canvas role="img" tabindex="0" aria-label="trace of position and setpoint over time, {name}"
    aria-describedby="trace-help"></canvas>
  <p class="legend">solid: position; dashed: setpoint; dash-dot: travel limits</p>
</section>"""


def foot() -> str:
    """What the traces understand."""
    return """
<footer><p id="trace-help">Traces: drag or ← → to move in time, pinch, + and − or the wheel (after a click, or with
Ctrl) to zoom; with Shift, or ↑ ↓ and Page keys, in degrees; 0 or a double click shows all again, live. Jog: hold ← or
→ on an axis. The page keeps an hour.</p></footer>"""
