"""What the page consists of. page.js draws the live parts in the browser; dialogs from here ask the questions."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Callable
from html import escape
from importlib.resources import files
from typing import Any

from nicegui import events, ui

from ringlet.protocol.params import BY_NAME
from ringlet.protocol.states import STATES
from ringlet.tools import palette
from ringlet.tools.cli_common import CAUTION
from ringlet.tools.errors import RingletError
from ringlet.tools.page import preview
from ringlet.tools.page.actions import place_of
from ringlet.tools.page.bench_thread import DEAD_MAN, HEARTBEAT, Bench
from ringlet.tools.page.snapshot import LIMITS, AxisShot

NO_PICTURE = "<p>Check the values.</p>"
SHOWN = ("BLUE", "SKY", "GREEN", "VERMILION", "ORANGE", "PURPLE")


def make(bench: Bench) -> None:
    """Declare the page to NiceGUI."""

    @ui.page("/", title="Ringlet bench")
    def page() -> None:
        shot = bench.snapshot
        colours = "".join(f"--{name.lower()}:{getattr(palette, name)};" for name in SHOWN)
        ui.add_head_html(f"<style>:root{{{colours}}}\n{_text('page.css')}</style>")
        states = {state.name.lower(): rule.doc for state, rule in STATES.items()}
        settings = {"heartbeat": 1000 * HEARTBEAT, "dead": 1000 * DEAD_MAN, "states": states, "source": shot.source}
        # One piece, so that the head may stick to the top of all of it.
        body = [_head(shot.link), '<main id="axes">', *(_card(one) for one in shot.axes), "</main>"]
        body.append(f'<footer class="caution"><b>Caution</b> {escape(CAUTION.removeprefix("Caution: "))}</footer>')
        ui.html("".join(body), sanitize=False)
        script = f"const SETTINGS = {json.dumps(settings)};\n{_text('page.js')}"
        ui.add_body_html(f"<script>{script}</script>")
        _dialogs(bench)


def _text(name: str) -> str:
    return files("ringlet.tools.page").joinpath(name).read_text(encoding="utf-8")


def _head(link: str) -> str:
    return f"""
<header id="top">
  <h1>Ringlet bench</h1>
  <p id="link" role="status" aria-live="polite">· {escape(link)}: connecting</p>
  <div class="tools">
    <button id="pause" type="button" aria-pressed="false">Pause traces</button>
    <label>Window <select id="span"><option value="5">5 s</option><option value="15" selected>15 s</option>
      <option value="30">30 s</option><option value="120">120 s</option></select></label>
    <button id="theme" type="button" aria-label="Light or dark">Light / dark</button>
  </div>
</header>
<button id="stop" type="button" aria-keyshortcuts="Escape Space">■ STOP ALL <small>Esc or space</small></button>
<p id="said" role="alert" aria-live="assertive" hidden></p>"""


def _card(one: AxisShot) -> str:
    name = f"{escape(one.role)} {one.key}"

    def button(what: str, label: str, about: str = "") -> str:
        return f'<button type="button" data-do="{what}" aria-label="{about or label}, {name}">{label}</button>'

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
    <div><dt>winding</dt><dd data-show="winding"></dd></div>
    <div class="work"><dt>torque of the limit</dt><dd><meter min="0" max="100" low="70" high="90" optimum="20"
      data-show="load" aria-label="torque, {name}"></meter> <span data-show="loadtext"></span></dd></div>
  </dl>
  <div class="row jog">
    <button type="button" class="hold" data-jog="-1" aria-label="Jog back while held, {name}">◀ jog</button>
    <label>at <input type="number" data-set="speed" value="15" min="0.1" max="360" step="1"
      aria-label="jog speed in degrees a second, {name}"> deg/s</label>
    <button type="button" class="hold" data-jog="1" aria-label="Jog on while held, {name}">jog ▶</button>
  </div>
  <form class="row move">
    <label>go to <input type="number" data-set="goal" step="any" required
      aria-label="position to go to in degrees, {name}"> deg</label><button type="submit">Move</button>
  </form>
  <div class="row">
    {button("take", "Take")}{button("hold", "Enable", "Enable: hold the ring")}
    {button("release", "Release", "Release: the ring turns by hand")}{button("yield", "Yield")}
  </div>
  <div class="row">
    <button type="button" data-ask="find" aria-label="Find end stops, {name}">Find stops…</button>
    <button type="button" data-ask="limits" aria-label="Edit limits, {name}">Limits…</button>
    {button("clear-fault", "Clear fault")}
    <a href="/trace/{one.key}.csv" download aria-label="Export the trace as CSV, {name}">CSV</a>
  </div>
  <canvas role="img" aria-label="trace of position and setpoint over time, {name}"></canvas>
  <p class="legend">solid: position; dashed: setpoint; dash-dot: travel limits</p>
</section>"""


def _dialogs(bench: Bench) -> None:
    """Questions before something happens. They open on events that page.js emits."""

    def shot_of(key: Any) -> AxisShot | None:
        return next((one for one in bench.snapshot.axes if one.key == key), None)

    async def do(key: str, work: Any) -> bool:
        try:
            await asyncio.wrap_future(bench.on_axis(place_of(key), work))
        except asyncio.CancelledError:
            ui.notify("Dropped: everything was stopped first.", type="warning")
        except RingletError as error:
            ui.notify(str(error), type="negative", multi_line=True, close_button=True)
        else:
            return True
        return False

    with ui.dialog().props('aria-label="Find end stops"') as find, ui.card():
        find_title = ui.label().classes("ask-title")
        ui.label(
            "The motor turns the ring slowly and with little torque until it touches both ends. Only for a ring with "
            "hard stops: without them the motor turns until the longest search ends. Keep fingers off the gears."
        )
        ui.label(CAUTION).classes("caution")
        sure = ui.checkbox("This ring has hard stops, and nothing is in its way.")
        with ui.row():
            ui.button("Cancel", on_click=find.close)
            go = ui.button("Find the stops").props("color=warning text-color=black").bind_enabled_from(sure, "value")
    chosen = {"axis": ""}

    async def begin() -> None:
        find.close()
        await do(chosen["axis"], lambda handle: handle.find_stops(wait=False))

    go.on_click(begin)

    def ask_find(event: events.GenericEventArguments) -> None:
        one = shot_of(event.args)
        if one is not None:
            chosen["axis"] = one.key
            find_title.text = f"Find the end stops of {one.role} {one.key}"
            sure.value = False
            find.open()

    ui.on("ask-find", ask_find)
    _limits_dialog(shot_of, do)


def _between(low: float, high: float) -> Callable[[Any], bool]:
    return lambda value: value is not None and low <= value <= high


def _limits_dialog(shot_of: Any, do: Any) -> None:
    inputs: dict[str, ui.number] = {}
    now: dict[str, Any] = {"key": "", "limits": (1.0, 1.0, 1.0, 1.0), "distance": 90.0}

    def wanted() -> preview.Limits | None:
        values = [inputs[name].value for name in LIMITS]
        if any(value is None for value in values) or not all(one.validate() for one in inputs.values()):
            return None
        return (float(values[0]), float(values[1]), float(values[2]), float(values[3]))

    def draw() -> None:
        then = wanted()
        try:
            shown.content = preview.picture(now["limits"], then, now["distance"]) if then else NO_PICTURE
        except ValueError as error:
            shown.content = f"<p>{escape(str(error))}.</p>"

    with ui.dialog().props('aria-label="Limits"') as dialog, ui.card().classes("wide"):
        title = ui.label().classes("ask-title")
        with ui.row():
            for name in LIMITS:
                row = BY_NAME[name]
                low, high = row.lo * float(row.scale), row.hi * float(row.scale)
                inputs[name] = ui.number(
                    f"{name}, {row.unit}", min=low, max=high, on_change=draw,
                    validation={f"{low:g} to {high:g} {row.unit}": _between(low, high)},
                ).classes("figure")  # fmt: skip
        shown = ui.html("", sanitize=False)
        ui.label("Applied at once; lost at power-off unless saved. A moving axis returns inside new limits by itself.")
        with ui.row():
            ui.button("Cancel", on_click=dialog.close)
            apply = ui.button("Apply")

    async def put() -> None:
        then = wanted()
        if then is None:
            return
        changed = [(name, value) for name, value, old in zip(LIMITS, then, now["limits"], strict=True) if value != old]

        def work(handle: Any) -> None:
            for name, value in changed:
                handle.set(name, value)

        if await do(now["key"], work):
            dialog.close()

    apply.on_click(put)

    def ask(event: events.GenericEventArguments) -> None:
        one = shot_of(event.args)
        if one is None:
            return
        span = one.travel[1] - one.travel[0]
        now.update(key=one.key, limits=one.limits, distance=round(span / 2, 1) if one.calibrated and span > 0 else 90.0)
        title.text = f"Limits of {one.role} {one.key}"
        for name, value in zip(LIMITS, one.limits, strict=True):
            inputs[name].value = value
        draw()
        dialog.open()

    ui.on("ask-limits", ask)
