"""`ringlet drive`: rings follow range readings and hand controls, live."""

from __future__ import annotations

import json
import math
import sys
from collections.abc import Callable
from io import TextIOWrapper
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Final

import typer

from ringlet.tools import cli_common as common
from ringlet.tools.cli_common import FindOption, ForceOption, JsonOption, LinkOption, SourceOption
from ringlet.tools.errors import CheckFailed, UsageProblem
from ringlet.tools.rig.smooth import FOLLOW_S

if TYPE_CHECKING:
    from ringlet.hwsim.rigfile import RigFile
    from ringlet.tools.link import Link
    from ringlet.tools.rig.session import Readings, Seat, Session

LOOKS_HZ: Final = 10.0
"""Lines a second, in JSON and on a terminal."""
PLAIN_EVERY_S: Final = 1.0
"""Between two lines where the output is no terminal."""
FAR_M: Final = 10_000.0
"""From here on a focus ring stands at infinity for a person."""
PIPE: Final = "-"
KEYS: Final = {"a": "auto", "h": "hand", "b": "blend", "t": "take", "f": "force", "y": "yield", "q": "end"}
KEYS_TOLD: Final = "Keys: " + ", ".join(f"{key} {word}" for key, word in KEYS.items()) + ". Ctrl-C ramps down and ends."


def drive(
    control: Annotated[
        list[int] | None,
        typer.Option("--control", metavar="ADDRESS", min=1, max=15, help="Follow this control; may be repeated."),
    ] = None,
    range_: Annotated[
        str, typer.Option("--range", metavar="ADDRESS", help="Focus on range readings on the bus: of `any`, or of one.")
    ] = "",
    readings: Annotated[
        str, typer.Option("--readings", metavar="FILE", help="Focus on readings from a file, - is the standard input.")
    ] = "",
    rig: Annotated[
        str, typer.Option("--rig", metavar="RIG", help="Rig file with mappings and pairs; default: that of sim:.")
    ] = "",
    focus: Annotated[str, typer.Option("--focus", metavar="N.A", help="The axis that readings drive.")] = "",
    pair: Annotated[bool, typer.Option("--pair", help="Drive both axes of a pair of the rig file as one.")] = False,
    marks: Annotated[
        list[str] | None,
        typer.Option("--marks", metavar="CARD", help="Marks of the focus ring, or N.A=CARD; default: the motor's."),
    ] = None,
    hand: Annotated[bool, typer.Option("--hand", help="Begin with the hand; readings wait for the word auto.")] = False,
    at: Annotated[
        list[str] | None,
        typer.Option("--at", metavar="S=WORD", help="At this second: auto, hand, blend, take, force, yield, end."),
    ] = None,
    window: Annotated[str, typer.Option("--window", metavar="DEG", help="So near the control meets the ring.")] = "1",
    blend: Annotated[str, typer.Option("--blend", metavar="S", help="Time for working a difference off.")] = "1",
    ahead: Annotated[
        str, typer.Option("--ahead", metavar="S", help="Focus this far ahead, for line and motor.")
    ] = f"{FOLLOW_S:g}",
    seconds: Annotated[float, typer.Option(min=0, help="How long; 0 is until Ctrl-C.")] = 0.0,
    plot: Annotated[Path | None, typer.Option("--plot", help="Picture of what happened (PNG, SVG, PDF).")] = None,
    find: FindOption = False,
    force: ForceOption = False,
    link: LinkOption = None,
    source: SourceOption = 1,
    as_json: JsonOption = False,
) -> None:
    """Focus follows range readings, rings follow hand controls, and each hands back to the other without a jump.

    Readings come over the bus, or as lines of "seconds metres quality"; in a file seconds count from the start of the
    run. Lost or poor ones hold the ring, and that is said. After `hand` (a key, or --at) the ring holds until the
    control comes within the window, or `blend` works the difference off; the control is told where to go. Several
    controls drive several rings; --pair moves two lenses as one. With --json each line is a look or an event. The last
    ten minutes are drawn.

    Words: auto, readings drive; hand, back to the control; blend, take over now; take and force, own the axis; yield,
    give it up; end. One axis: 7=yield:16.1.

    Examples: ringlet drive --range any --control 2 --find --link can:socketcan:can0 --rig my-rig.toml;
    ringlet drive --range any --control 2 --control 3 --pair --find --at 7=hand --seconds 20 --plot drive.png --link
    sim:pair; ringlet drive --readings readings.txt --find --seconds 10 --link sim:single
    """
    from ringlet.tools.extras import need
    from ringlet.tools.rig import setup
    from ringlet.tools.rig.rangefocus import Tuning
    from ringlet.tools.rig.session import Session

    need("bench")
    if plot is not None:
        from ringlet.tools.cli_optics import picture

        picture(plot)
    if not (control or range_ or readings):
        raise UsageProblem("nothing drives; add --control ADDRESS, --range any or --readings FILE.")
    if range_ and readings:
        raise UsageProblem("readings come from the bus or from a file; leave --range or --readings out.")
    listens = setup.range_address(range_) if range_ else None
    orders = setup.orders_of(at or [])
    wish = setup.Wish(
        control or (), bool(range_ or readings), focus, pair, marks or (),
        common.number(window, "--window", "deg", 0.01, 90.0), common.number(blend, "--blend", "s", 0.05, 60.0), hand,
    )  # fmt: skip
    tuning = Tuning(ahead_s=common.number(ahead, "--ahead", "s", 0.0, 0.5))
    is_sim = bool(link) and str(link).startswith("sim:")
    if is_sim and not seconds:
        raise UsageProblem("a sim: link has no clock of its own; give --seconds, or serve it with `ringlet sim`.")
    elsewhere = _readings(readings, is_sim, seconds)
    with common.open_link(link, source) as bus:
        told = _rig(bus, rig)
        nodes = common.nodes(bus, None)
        seats = setup.Builder(bus, told, wish).seats({node: common.axes_of(bus, node, None) for node in nodes})
        setup.check_orders(orders, seats, seconds)
        handles = [bus.axis(*place) for seat in seats for place in seat.hand.places]
        with common.driving(bus, handles, force):
            for handle in handles:
                common.make_ready(bus, handle, find)
            session = Session(bus, seats, readings=elsewhere, range_from=listens, tuning=tuning, orders=orders)
            teller = _Teller(session, as_json, _source_told(range_, readings), keyed=readings != PIPE)
            session.tell = teller.event
            _run(session, teller, seconds, lambda: bool(getattr(elsewhere, "ended", False)))
    _end(session, elsewhere, plot, as_json)


def _run(session: Session, teller: _Teller, seconds: float, input_ended: Callable[[], bool]) -> None:
    """Drive until it ends; then every setpoint comes to rest."""
    from ringlet.tools.keys import keys
    from ringlet.tools.rig.session import Word
    from ringlet.tools.takes.interrupt import asked_to_end

    with asked_to_end() as asked, teller, keys(teller.keyed and not session.link.is_sim) as pressed:
        session.start()
        said = False

        def look() -> None:
            nonlocal said
            if not said and input_ended():
                said = True
                teller.event(session.now(), "", f"{teller.source} has no more readings")
            for key in pressed():
                if key in KEYS:
                    session.order(Word(KEYS[key]))
            teller.look()

        session.run(seconds or None, asked, look)
        session.close()


def _readings(name: str, is_sim: bool, seconds: float) -> Readings | None:
    from ringlet.tools.rig.readings import FileReadings, PipeReadings

    if not name:
        return None
    if name != PIPE:
        return FileReadings.open(Path(name)).within(seconds)
    if is_sim:  # virtual time does not wait for a pipe
        if isinstance(sys.stdin, TextIOWrapper):
            sys.stdin.reconfigure(errors="replace")  # what is no text is a wrong line, and named
        return FileReadings(sys.stdin.read().splitlines(), "the standard input").within(seconds)
    return PipeReadings(sys.stdin)


def _rig(bus: Link, name: str) -> RigFile | None:
    from ringlet.hwsim.rigfile import load_rig

    if name:
        return load_rig(name)
    return bus.rig.rig if bus.rig is not None else None


def _source_told(range_: str, readings: str) -> str:
    if readings:
        return "standard input" if readings == PIPE else Path(readings).name
    return {"": "", "any": "sensor"}.get(range_, f"sensor {range_}")


def _end(session: Session, elsewhere: Any, plot: Path | None, as_json: bool) -> None:
    """What the run came to. Raises CheckFailed when a motor had a fault."""
    lag = session.lag_s()
    wrong = getattr(elsewhere, "wrong", 0)
    focus = session.focus
    if plot is not None:
        from ringlet.tools.rig.plots import draw, of_session

        drawn = of_session(session)
        if drawn.rings or len(drawn.reading_s):
            draw(drawn, plot, "Rings driven live: what was read, where each ring went, who drove it")
        else:
            common.note("Nothing was driven and nothing read, so there is no picture.")
            plot = None
    if as_json:
        typer.echo(json.dumps({
            "ended_s": round(session.now(), 3), "readings": {"used": focus.used, "outliers": focus.outliers,
            "refused": focus.refused, "unreadable_lines": wrong}, "reading_to_ring_s": lag and round(lag, 4),
            "plot": plot and str(plot),
        }))  # fmt: skip
    else:
        if any(seat.ranged for seat in session.seats):
            lines = f", {wrong} lines made no sense" if wrong else ""
            typer.echo(f"Readings: {focus.used} used, {focus.outliers} outliers, {focus.refused} not usable{lines}.")
            typer.echo(
                "Reading to ring: not measured, for the subject did not move enough while readings drove."
                if lag is None else
                f"Reading to ring: the ring stood where a reading was made {1000 * abs(lag):.0f} ms "
                f"{'later' if lag >= 0 else 'earlier'} (the readings' own age and the look ahead counted in)."
            )  # fmt: skip
        if plot is not None:
            typer.echo(f"Written: {plot}")
    faults = [f"axis {seat.key} has a fault, {seat.fault}" for seat in session.seats if seat.fault != "none"]
    if faults:
        raise CheckFailed(f"{'; '.join(faults)}; clear it when its cause is gone.")


class _Teller:
    """Shows a run: JSON lines, a live block of one line for each ring, or a plain line now and then."""

    def __init__(self, session: Session, as_json: bool, source: str, keyed: bool) -> None:
        self.session, self.as_json, self.source = session, as_json, source
        self.keyed = keyed and not as_json
        self._due = 0.0
        self._live: Any = None

    def __enter__(self) -> _Teller:
        if not self.as_json and sys.stdout.isatty():
            from rich.live import Live

            self._live = Live(console=common.console(), auto_refresh=False)
            self._live.start()
        if not self.as_json:
            common.note(KEYS_TOLD if self.keyed and sys.stdin.isatty() else "Ctrl-C ramps down and ends.")
        return self

    def __exit__(self, *exc: object) -> None:
        if self._live is not None:
            self._live.stop()

    def event(self, at_s: float, axis: str, text: str) -> None:
        """Something happened."""
        if self.as_json:
            typer.echo(json.dumps({"time_s": round(at_s, 3), "axis": axis or None, "event": text}))
        else:
            line = f"{at_s:8.2f} s  {axis or 'range':6} {text}"
            if self._live is not None:
                self._live.console.print(line, soft_wrap=True, markup=False)
            else:
                typer.echo(line)

    def look(self) -> None:
        """One look, when it is due."""
        now = self.session.now()
        if now < self._due:
            return
        plain = not self.as_json and self._live is None
        self._due = now + (PLAIN_EVERY_S if plain else 1 / LOOKS_HZ)
        if self.as_json:
            typer.echo(json.dumps(as_data(self.session, self.source)))
        elif self._live is not None:
            from rich.console import Group

            self._live.update(Group(*(text_of(self.session, seat, self.source) for seat in self.session.seats)),
                              refresh=True)  # fmt: skip
        else:
            for seat in self.session.seats:
                typer.echo(text_of(self.session, seat, self.source).plain)
        sys.stdout.flush()


def as_data(session: Session, source: str) -> dict[str, Any]:
    """One look, for machines."""
    now, last, seen = session.now(), session.last, session.seen
    told: dict[str, Any] | None = None
    if source:
        told = {
            "source": source, "state": str(seen.state), "distance_m": _finite(last and last.metres),
            "quality": last and last.quality, "age_s": last and round(now - last.made_s, 4),
            "focus_m": _finite(seen.distance_m), "predicted_s": round(seen.predicted_s, 4),
        }  # fmt: skip
    return {"time_s": round(now, 4), "range": told, "axes": [_axis_data(seat) for seat in session.seats]}


def _axis_data(seat: Seat) -> dict[str, Any]:
    told = seat.told
    return {
        "axis": seat.key, "partner": next((f"{node}.{axis}" for node, axis in seat.hand.places[1:]), None),
        "role": seat.role, "phase": str(told.phase) if told else "not ours", "owner": seat.owner,
        "setpoint_deg": told and round(told.setpoint_deg, 3), "velocity_deg_s": told and round(told.velocity_deg_s, 3),
        "ring_deg": seat.ring_deg, "control_deg": _finite(seat.control_deg, 3),
        "difference_deg": _finite(told and told.difference_deg, 3), "fault": seat.fault,
    }  # fmt: skip


def _finite(value: float | None, places: int = 4) -> float | None:
    return round(value, places) if value is not None and math.isfinite(value) else None


def text_of(session: Session, seat: Seat, source: str) -> Any:
    """One line about one ring, for a person: who drives; whence, how far, how good, how old; setpoint and ring."""
    from rich.text import Text

    from ringlet.tools.lens.values import show
    from ringlet.tools.palette import BLUE, GREEN, ORANGE, VERMILION
    from ringlet.tools.show import BAD, GOOD, LIMIT

    told = seat.told
    phase = str(told.phase) if told is not None else "not ours"
    shape, colour = {
        "auto": (GOOD, BLUE), "coupled": (GOOD, GREEN), "blending": ("~", GREEN), "not ours": (BAD, VERMILION),
    }.get(phase, (LIMIT, ORANGE))  # fmt: skip
    line = Text(no_wrap=True, overflow="ellipsis")
    line.append(f"{seat.key} {seat.role:6} ", style="bold")
    line.append(f"{shape} {phase:9}", style=colour)
    if told is not None and phase == "away" and told.difference_deg is not None:
        line.append(f" go {'up' if told.difference_deg > 0 else 'down'} {abs(told.difference_deg):.1f} deg")
    if seat.fault != "none":
        line.append(f" fault: {seat.fault}", style=VERMILION)
    if told is None and seat.owner:
        line.append(f" owned by {seat.owner}")
    if seat.ranged:
        good = session.seen.state == "good"
        line.append(f" | {source}: {_reading_text(session)} ")
        line.append(f"{GOOD if good else LIMIT} {session.seen.state}", style=GREEN if good else ORANGE)
    elif seat.control is not None:
        line.append(f" | {seat.control.name}")
    if told is not None:
        line.append(f" | set {told.setpoint_deg:6.2f}")
    if seat.ring_deg is not None:
        line.append(f"{'' if told is not None else ' |'} ring {seat.ring_deg:6.2f} deg")
        if seat.curve is not None and seat.curve.low_deg <= seat.ring_deg <= seat.curve.high_deg:
            value = seat.curve.value_at(seat.ring_deg)
            line.append(f" ({show(value if value < FAR_M else math.inf, seat.curve.unit)})")
    return line


def _reading_text(session: Session) -> str:
    from ringlet.tools.lens.values import show

    last = session.last
    if last is None:
        return "nothing yet"
    far = show(last.metres, "distance") if math.isfinite(last.metres) else "no reading"
    return f"{far} q{last.quality} {1000 * (session.now() - last.made_s):.0f} ms"


