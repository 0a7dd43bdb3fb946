"""Questions before something happens. They open on events that the scripts emit; stop stays in reach above them."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from concurrent.futures import Future
from html import escape
from typing import Any

from nicegui import events, ui

from ringlet.protocol.params import BY_NAME
from ringlet.tools.cli_common import CAUTION
from ringlet.tools.errors import RingletError
from ringlet.tools.page import preview
from ringlet.tools.page.actions import too_late
from ringlet.tools.page.bench_thread import Bench
from ringlet.tools.page.measuring import HONEST, choices
from ringlet.tools.page.scales import place_of
from ringlet.tools.page.snapshot import LIMITS, AxisShot

NO_PICTURE = "<p>Check the values.</p>"
SEEN = "() => emit(window.benchSeen())"
"""A press tells with which picture of the bench it was made: one that hung on its way is not obeyed later."""
Find = Callable[[Any], AxisShot | None]


def make(bench: Bench) -> None:
    """All questions of one open page."""

    def shot_of(key: Any) -> AxisShot | None:
        return next((one for one in bench.snapshot.axes if one.key == key), None)

    _find(bench, shot_of)
    _force(bench, shot_of)
    _measure(bench, shot_of)
    _limits(bench, shot_of)


def _fresh(event: events.GenericEventArguments) -> bool:
    """Whether a press came in time; else the page says that nothing was done."""
    late = too_late(event.args)
    if late:
        ui.notify(late, type="warning", multi_line=True)
    return not late


async def _done(begin: Callable[[], Future[Any]]) -> bool:
    """Whether it was done; what went wrong is said on the page."""
    try:
        await asyncio.wrap_future(begin())
    except asyncio.CancelledError:
        ui.notify("Dropped: everything was stopped first.", type="warning")
    except RingletError as error:
        ui.notify(str(error), type="negative", multi_line=True, close_button=True)
    else:
        return True
    return False


def _find(bench: Bench, shot_of: Find) -> None:
    chosen = {"axis": ""}
    with ui.dialog().props('aria-label="Find end stops"') as dialog, ui.card():
        title = ui.label().classes("ask-title")
        ui.label(
            "The motor turns the ring slowly and with little torque until it touches both ends. Only for a ring with "
            "hard stops: without them the motor turns until the longest search ends. Keep fingers off the gears."
        )
        ui.label(CAUTION).classes("caution")
        sure = ui.checkbox("This ring has hard stops, and nothing is in its way.")
        with ui.row():
            ui.button("Cancel", color=None, on_click=dialog.close)
            go = ui.button("Find the stops", color=None).classes("go").bind_enabled_from(sure, "value")

    async def begin(event: events.GenericEventArguments) -> None:
        dialog.close()
        if not _fresh(event):
            return
        place = place_of(chosen["axis"])
        await _done(lambda: bench.on_axis(place, lambda handle: handle.find_stops(wait=False)))

    go.on("click", begin, js_handler=SEEN)

    def ask(event: events.GenericEventArguments) -> None:
        one = shot_of(event.args)
        if one is not None:
            chosen["axis"] = one.key
            title.text = f"Find the end stops of {one.role} {one.key}"
            sure.value = False
            dialog.open()

    ui.on("ask-find", ask)


def _force(bench: Bench, shot_of: Find) -> None:
    """Taking an axis from somebody who holds it: named, and confirmed."""
    chosen = {"axis": "", "owner": 0}
    with ui.dialog().props('aria-label="Take by force"') as dialog, ui.card():
        title = ui.label().classes("ask-title")
        about = ui.label()
        ui.label(CAUTION).classes("caution")
        sure = ui.checkbox()
        with ui.row():
            ui.button("Cancel", color=None, on_click=dialog.close)
            go = ui.button("Take it by force", color=None).classes("go")
            go.bind_enabled_from(sure, "value")

    async def begin(event: events.GenericEventArguments) -> None:
        dialog.close()
        if not _fresh(event):
            return
        one = shot_of(chosen["axis"])
        if one is None or one.owner != chosen["owner"]:
            ui.notify("The owner has changed meanwhile: look at the axis again.", type="warning")
            return
        place = place_of(one.key)
        await _done(lambda: bench.on_axis(place, lambda handle: handle.take(force=True)))

    go.on("click", begin, js_handler=SEEN)

    def ask(event: events.GenericEventArguments) -> None:
        one = shot_of(event.args)
        if one is None or one.owner in (0, bench.snapshot.source):
            ui.notify("Nobody else owns this axis.", type="warning")
            return
        names = bench.controls
        who = f"control {one.owner}" + (f" ({names[one.owner]})" if one.owner in names else "")
        chosen.update(axis=one.key, owner=one.owner)
        title.text = f"Take {one.role} {one.key} from {who}"
        about.text = (
            f"{one.role} {one.key} obeys {who}. Taken by force, what it does for {who} is ramped down at once, and "
            "whoever works there is not asked. Tell them first."
        )
        sure.text = f"The person at {who} knows it."
        sure.value = False
        dialog.open()

    ui.on("ask-force", ask)


def _measure(bench: Bench, shot_of: Find) -> None:
    known = {one.id: one for one in choices()}
    chosen = {"axis": ""}
    with ui.dialog().props('aria-label="Measure"') as dialog, ui.card().classes("wide"):
        title = ui.label().classes("ask-title")
        what = ui.select({one.id: one.title for one in known.values()}, value="ramp", label="Measurement")
        what.classes("choice")
        about = ui.label()
        ui.label(CAUTION).classes("caution")
        ui.label(HONEST).classes("legend")
        find = ui.checkbox("Find the end stops first if the travel is not known (the ring has hard stops).")
        sure = ui.checkbox("Everything is clear of the gears, and the motor may move.")
        with ui.row():
            ui.button("Cancel", color=None, on_click=dialog.close)
            go = ui.button("Start measuring", color=None).classes("go")
            go.bind_enabled_from(sure, "value")

    def describe() -> None:
        about.text = known[str(what.value)].about
        sure.value = False  # agreed to another motion than this one

    what.on_value_change(describe)

    async def begin(event: events.GenericEventArguments) -> None:
        dialog.close()
        if not _fresh(event):
            return
        place = place_of(chosen["axis"])
        await _done(lambda: bench.start_measuring(place, what.value, bool(find.value)))

    go.on("click", begin, js_handler=SEEN)

    def ask(event: events.GenericEventArguments) -> None:
        one = shot_of(event.args)
        if one is None:
            return
        if bench.keeping is None:
            ui.notify("To measure, start the page with --folder DIR: reports go there.", type="warning")
            return
        chosen["axis"] = one.key
        title.text = f"Measure {one.role} {one.key}"
        find.value = False
        describe()
        dialog.open()

    ui.on("ask-measure", ask)


def _between(low: float, high: float) -> Callable[[Any], bool]:
    return lambda value: value is not None and low <= value <= high


def _limits(bench: Bench, shot_of: Find) -> None:
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
            ui.button("Cancel", color=None, on_click=dialog.close)
            apply = ui.button("Apply", color=None).classes("go")

    async def put(event: events.GenericEventArguments) -> None:
        then = wanted()
        if then is None or not _fresh(event):
            return
        changed = [(name, value) for name, value, old in zip(LIMITS, then, now["limits"], strict=True) if value != old]

        def work(handle: Any) -> None:
            for name, value in changed:
                handle.set(name, value)

        if await _done(lambda: bench.on_axis(place_of(now["key"]), work)):
            dialog.close()

    apply.on("click", put, js_handler=SEEN)

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
