"""The story of `ringlet demo rig`: a matched pair with four motors, in virtual time.

A subject walks towards the camera and range readings drive focus of both lenses; the operator takes over, loses the
wireless, comes back; another one turns both irises; all of it is recorded, played again, and exported a row for each
frame. Subject, sensor and operators' hands are those of the rig file, on its simulated bus: the scene is invented.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from dataclasses import asdict
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Final

from ringlet.hwsim.rigfile import load_rig
from ringlet.tools import cli_common as common
from ringlet.tools.demo import Step
from ringlet.tools.errors import CheckFailed, RingletError
from ringlet.tools.extras import need
from ringlet.tools.link import Link
from ringlet.tools.rig.handback import Phase
from ringlet.tools.rig.smooth import FOLLOW_S

if TYPE_CHECKING:
    from ringlet.hwsim.rangesource import SimRange
    from ringlet.tools.rig.plots import Drawn
    from ringlet.tools.rig.session import Seat
    from ringlet.tools.takes.columns import AxisColumns

RIG: Final = "pair"
PLACES: Final = [(16, 0), (16, 1), (17, 0), (17, 1)]
CARDS: Final = (("focus-long", "focus-long-right"), ("iris", "iris-right"))
CONTROLS: Final = (2, 3)
SENSOR: Final = "range sensor"
"""In the rig file."""
LENGTH_S: Final = 16.0
AUTO_OFF_S: Final = 7.0
ASK_S: Final = 14.0
WALK_S: Final = 1.0
"""When the subject begins to walk."""
IRIS_T: Final = 5.6
FRAME_RATE: Final = "24"
FIRST_FRAME: Final = "01:00:00:00"


def run_demo(out: Path, as_json: bool = False) -> None:
    """Run the story and write take, replay, export, rig.png and rig.json to `out`.

    Raises CheckFailed when a step went wrong, UsageProblem when files of an earlier run are there.
    """
    need("take", "bench")
    out.mkdir(parents=True, exist_ok=True)
    for name in ("take.mcap", "replayed.mcap", "frames.csv", "frames.parquet", "frames.json"):
        (out / name).unlink(missing_ok=True)
    if not as_json:
        common.note("The rig, the scene and the operator are simulated and invented; time is virtual.")
    with Link.open(f"sim:{RIG}") as link:
        story = _Story(link, out, None if as_json else common.note)
        story.run()
    good = sum(one.ok for one in story.steps)
    result = {"rig": RIG, "invented": True, "passed": good, "total": len(story.steps),
              "steps": [asdict(one) for one in story.steps], "plot": str(out / "rig.png")}  # fmt: skip
    (out / "rig.json").write_text(json.dumps(result, indent=1), encoding="utf-8")
    if as_json:
        common.emit(result)
    else:
        common.note(f"{good} of {len(story.steps)} steps went as they should. Look at {out / 'rig.png'}.")
    if good < len(story.steps):
        raise CheckFailed("A step of the demo did not go as it should; see the list above.")


class _Story:
    def __init__(self, link: Link, out: Path, say: Callable[[str], None] | None) -> None:
        from ringlet.tools.lens import marksfile
        from ringlet.tools.lens.pair import pair_of

        self.link, self.out, self.say = link, out, say
        self.steps: list[Step] = []
        self.focus, self.iris = (pair_of(marksfile.load(left), marksfile.load(right)) for left, right in CARDS)
        self.begun_s = 0.0
        """the rig's clock at the start of the take"""
        self.take, self.again = out / "take.mcap", out / "replayed.mcap"

    def run(self) -> None:
        if not self._step("rig as its file says", self._check):
            return
        with common.driving(self.link, [self.link.axis(*place) for place in PLACES]):
            ready = self._step("stops found, marks uploaded", self._ready) and self._step("at one value", self._gather)
            driven = ready and self._step("driven and recorded", self._drive)
        if not driven:
            return
        self._step("range-driven focus", self._judge_focus)
        self._step("held without readings", self._judge_hold)
        self._step("handed back without a jump", self._judge_handback)
        self._step("both lenses together", self._judge_pair)
        if self._step("replayed", self._replay):
            self._step("exported", self._export)
            self._step("drawn", self._draw)

    def _step(self, what: str, job: Callable[[], tuple[bool, str]]) -> bool:
        try:
            ok, told = job()
        except RingletError as error:
            ok, told = False, str(error)
        self.steps.append(Step(what, bool(ok), told))
        if self.say is not None:
            self.say(f"  {'ok ' if ok else 'NOT'} {what}: {told}")
        return ok

    # --- before the take -------------------------------------------------------------------------------------------

    def _check(self) -> tuple[bool, str]:
        from ringlet.tools.rig import survey

        found = survey.compare(self.link, load_rig(RIG))
        return not found, f"{len(found)} differences on {len(PLACES)} axes"

    def _ready(self) -> tuple[bool, str]:
        from ringlet.tools.lens import transfer

        handles = [self.link.axis(*place) for place in PLACES]
        for handle in handles:
            handle.find_stops(wait=False)
        for handle in handles:
            handle.rest(120.0)
        tables = [pair.tables[side] for side in (0, 1) for pair in (self.focus, self.iris)]
        for handle, table in zip(handles, tables, strict=True):
            transfer.upload(handle, table)
        held = [transfer.read(handle) == table for handle, table in zip(handles, tables, strict=True)]
        return all(held), f"{sum(held)} tables read back as they were sent"

    def _gather(self) -> tuple[bool, str]:
        from ringlet.tools.lens import together

        worst = 0.0
        near = self._subject_m(0.0)
        for axis, value, unit in ((0, near, "distance"), (1, IRIS_T, "stop")):
            wanted = together.targets([self.link.axis(16, axis), self.link.axis(17, axis)], value, unit)
            together.within_travel(wanted)
            arrived = together.go(self.link, wanted, value, None)
            worst = max(worst, *(abs(one.setpoint_deg - one.wanted_deg) for one in arrived))
        return worst < 0.01, f"both focus rings at {near:g} m, both irises at T{IRIS_T:g}"

    # --- the take --------------------------------------------------------------------------------------------------

    @property
    def _sensor(self) -> SimRange:
        assert self.link.rig is not None
        return self.link.rig.ranges[SENSOR]

    def _subject_m(self, time_s: float) -> float:
        """Where the subject truly is at a time of the take, m."""
        return self._sensor.entry.subject.at(time_s)

    def _drive(self) -> tuple[bool, str]:
        from ringlet.tools.rig.rangefocus import Tuning
        from ringlet.tools.rig.session import Order, Session, Word
        from ringlet.tools.rig.setup import Builder, Wish
        from ringlet.tools.takes.recorder import Recorder, Start
        from ringlet.tools.takes.timecodes import RATES, frame_of

        assert self.link.rig is not None
        builder = Builder(self.link, load_rig(RIG), Wish(CONTROLS, ranged=True, paired=True))
        seats = builder.seats({16: [0, 1], 17: [0, 1]})
        orders = [Order(AUTO_OFF_S, Word.HAND), Order(ASK_S, Word.BLEND, seats[0].key)]
        self.session = Session(self.link, seats, tuning=Tuning(ahead_s=FOLLOW_S), orders=orders)
        for seat in seats:
            seat.hand.begin()
        rate = RATES[FRAME_RATE]
        with Recorder(self.link, self.take, PLACES, start=Start(frame_of(FIRST_FRAME, rate), rate),
                      note="invented demo", on_sample=self.session.sample) as recorder:  # fmt: skip
            self.begun_s = self.link.clock.now() - recorder.live.now()
            for knob in self.link.rig.controls.values():
                knob.begin_s = self.begun_s
            self._sensor.begin_s = self.begun_s
            self.session.listen(recorder.live)
            self.session.run(LENGTH_S, look=recorder.tick)
        self.session.close()
        lost = sum(recorder.writer.lost.values())
        return lost == 0, f"{LENGTH_S:g} s, {sum(recorder.writer.samples.values())} samples, {lost} lost"

    @property
    def _focus_seat(self) -> Seat:
        return self.session.seats[0]

    # --- judged ----------------------------------------------------------------------------------------------------

    def _columns(self) -> dict[str, AxisColumns]:
        from ringlet.tools.takes.columns import columns
        from ringlet.tools.takes.reader import open_take

        return columns(open_take(self.take))

    def _judge_focus(self) -> tuple[bool, str]:
        held, gap = self._columns()["16.0"], self._sensor.entry.gaps[0]
        values = self.focus.curves[0].values_at(held.numbers["ring_deg"])
        off = [
            abs(1 / value - 1 / self._subject_m(at)) for at, value in zip(held.time_s, values, strict=True)
            if WALK_S < at < gap[0] or gap[1] + 1.0 < at < AUTO_OFF_S
        ]  # fmt: skip
        return max(off) < 0.03, f"left lens within {max(off):.4f} 1/m of the subject while readings were good"

    def _judge_hold(self) -> tuple[bool, str]:
        gap = self._sensor.entry.gaps[0]
        held = [one.told for one in self._focus_seat.moments if gap[0] + 0.6 < one.time_s < gap[1] - 0.02]
        still = max(abs(one.setpoint_deg - held[0].setpoint_deg) for one in held)
        said = all(one.phase is Phase.AUTO_HELD for one in held)
        return said and still < 1e-6, f"{held[0].text} (moved {still:.4f} deg)"

    def _judge_handback(self) -> tuple[bool, str]:
        seat, seen = self._focus_seat, list[str]()
        moments, bounds = list(seat.moments), seat.hand.bounds
        assert bounds is not None
        steepest = hardest = 0.0
        for before, now in pairwise(moments):
            seconds = now.time_s - before.time_s + 0.001
            way = abs(now.told.setpoint_deg - before.told.setpoint_deg) / seconds
            steepest = max(steepest, way)
            hardest = max(hardest, abs(now.told.velocity_deg_s - before.told.velocity_deg_s) / seconds)
            if not seen or seen[-1] != before.told.phase:
                seen.append(str(before.told.phase))
        wanted = ["auto", "away", "blending", "coupled", "lost", "away", "blending", "coupled"]
        tail = seen[-len(wanted):]
        ok = tail == wanted and steepest <= bounds.velocity_deg_s and hardest <= bounds.acceleration_deg_s2
        return ok, (
            f"{' > '.join(tail)}; at most {steepest:.0f} of {bounds.velocity_deg_s:.0f} deg/s and "
            f"{hardest:.0f} of {bounds.acceleration_deg_s2:.0f} deg/s2"
        )

    def _judge_pair(self) -> tuple[bool, str]:
        import numpy as np

        held = self._columns()
        left = self.focus.curves[0].scale_at(held["16.0"].numbers["ring_deg"])
        right_deg = np.interp(held["16.0"].time_s, held["17.0"].time_s, held["17.0"].numbers["ring_deg"])
        off = np.abs(left - self.focus.curves[1].scale_at(right_deg))
        worst = float(np.nanmax(off))
        return worst < 0.02, f"left and right lens within {worst:.4f} 1/m all along"

    # --- after the take ----------------------------------------------------------------------------------------------

    def _replay(self) -> tuple[bool, str]:
        from ringlet.tools.takes.reader import open_take
        from ringlet.tools.takes.replay import make_plan, read_mapping, replay

        held = open_take(self.take)
        plan = make_plan(self.link, held, read_mapping("", held))
        reached = replay(self.link, plan, record=self.again)
        worst = max(one.ring_worst_deg for one in reached.values())
        return worst < 1.0, f"{plan.seconds:.1f} s on {len(reached)} axes, rings within {worst:.2f} deg of the take"

    def _export(self) -> tuple[bool, str]:
        from ringlet.tools.takes.export import export
        from ringlet.tools.takes.reader import open_take
        from ringlet.tools.takes.timecodes import RATES

        made = export(open_take(self.take), RATES[FRAME_RATE], self.out / "frames")
        wanted = math.floor(LENGTH_S * float(FRAME_RATE))
        told = f"{made.frames} frames at {FRAME_RATE}, {sum(made.empty.values())} empty, to CSV and Parquet"
        return abs(made.frames - wanted) <= 2 and not any(made.empty.values()), told

    def _draw(self) -> tuple[bool, str]:
        from ringlet.tools.rig.plots import draw

        path = self.out / "rig.png"
        draw(self._drawn(), path, "Matched pair, four motors: range-driven focus, hand-back, take, replay (invented)")
        return path.stat().st_size > 0, str(path)

    def _drawn(self) -> Drawn:
        import numpy as np

        from ringlet.tools.rig.plots import of_session
        from ringlet.tools.takes.columns import columns
        from ringlet.tools.takes.reader import open_take

        drawn = of_session(self.session)
        times = np.arange(0.0, LENGTH_S, 0.05)
        drawn.subject = (times, np.array([self._subject_m(float(one)) for one in times]))
        left, again = self._columns()["16.0"], columns(open_take(self.again))["16.0"]
        # A replay begins when the first setpoint goes out, a little after its recording does.
        there = again.time_s - _shift(left, again)
        inside = (there >= left.time_s[0]) & (there <= left.time_s[-1])
        off = again.numbers["ring_deg"][inside] - np.interp(there[inside], left.time_s, left.numbers["ring_deg"])
        drawn.differences["replay less take, left ring (0.01 deg)"] = (there[inside], 100 * off)
        return drawn


def _shift(take: AxisColumns, again: AxisColumns) -> float:
    """Seconds by which the replay's recording is behind the take: where their setpoints agree best."""
    import numpy as np

    wanted, tries = take.numbers["setpoint_deg"], np.arange(-0.1, 0.3, 0.002)
    worst = [
        float(np.mean(np.abs(np.interp(take.time_s + one, again.time_s, again.numbers["setpoint_deg"]) - wanted)))
        for one in tries
    ]
    return float(tries[int(np.argmin(worst))])
