"""The story of `ringlet demo rig`: a matched pair with four motors, in virtual time.

A subject walks towards the camera and range readings drive focus of both lenses; the operator takes over, loses the
wireless, comes back; all of it is recorded, played again, and exported a row for each frame. The scene is invented.
"""

from __future__ import annotations

import itertools
import json
import math
import random
from collections.abc import Callable
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, NamedTuple

from ringlet.hwsim.control import SimControl, newest
from ringlet.hwsim.rigfile import load_rig
from ringlet.protocol import messages as m
from ringlet.tools import cli_common as common
from ringlet.tools.axis_handle import MDEG
from ringlet.tools.demo import Step
from ringlet.tools.errors import CheckFailed, RingletError
from ringlet.tools.link import Link
from ringlet.tools.rig.handback import Phase, Told

if TYPE_CHECKING:
    from ringlet.tools.lens.pair import Pair
    from ringlet.tools.rig.plots import Drawn
    from ringlet.tools.takes.columns import AxisColumns

RIG: Final = "pair"
PLACES: Final = [(16, 0), (16, 1), (17, 0), (17, 1)]
CARDS: Final = (("focus-long", "focus-long-right"), ("iris", "iris-right"))
STEP_S: Final = 0.02
LENGTH_S: Final = 16.0
AUTO_OFF_S: Final = 7.0
ASK_S: Final = 14.0
DROPOUT: Final = (3.2, 4.2)
WIRELESS_GAP: Final = (11.5, 12.5)
READING_LATE_S: Final = 0.04
MOTOR_LATE_S: Final = 0.06
"""How far focus looks ahead for setpoint, line and motor (tried on this rig)."""
READING_NOISE_PER_M: Final = 0.003
WRONG_SHARE: Final = 0.05
TARGETS_T: Final = (5.6, 2.8)
KNOB: Final = ((0.0, 40.0), (8.0, 40.0), (9.6, 175.0), (11.0, 215.0), (12.0, 90.0), (13.5, 120.0), (16.0, 120.0))
"""Invented: (s, deg of the knob) that the operator's hand goes through."""
FRAME_RATE: Final = "24"
FIRST_FRAME: Final = "01:00:00:00"


class Moment(NamedTuple):
    """One step of the drive."""

    time_s: float
    told: Told
    control_deg: float
    subject_m: float


def subject_m(time_s: float) -> float:
    """The invented subject walks from 5 m to 1.2 m, and stays."""
    share = min(max((time_s - 1.0) / 5.0, 0.0), 1.0)
    return 5.0 - 3.8 * share * share * (3.0 - 2.0 * share)


def _along(points: tuple[tuple[float, float], ...], time_s: float) -> float:
    for (begin, low), (end, high) in itertools.pairwise(points):
        if time_s < end:
            return low + (high - low) * max(0.0, time_s - begin) / (end - begin)
    return points[-1][1]


def run_demo(out: Path, as_json: bool = False) -> None:
    """Run the story and write take, replay, export, rig.png and rig.json to `out`.

    Raises CheckFailed when a step went wrong, UsageProblem when files of an earlier run are there.
    """
    from ringlet.tools.takes.extra import needed

    for module in ("mcap.writer", "pyarrow"):
        needed(module)
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
        self.moments: list[Moment] = []
        self.readings: list[tuple[float, float]] = []
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
        for axis, value, unit in ((0, subject_m(0.0), "distance"), (1, TARGETS_T[0], "stop")):
            wanted = together.targets([self.link.axis(16, axis), self.link.axis(17, axis)], value, unit)
            together.within_travel(wanted)
            arrived = together.go(self.link, wanted, value, None)
            worst = max(worst, *(abs(one.setpoint_deg - one.wanted_deg) for one in arrived))
        return worst < 0.01, f"both focus rings at {subject_m(0.0):g} m, both irises at T{TARGETS_T[0]:g}"

    # --- the take --------------------------------------------------------------------------------------------------

    def _drive(self) -> tuple[bool, str]:
        from ringlet.tools.rig.hand import bounds_of
        from ringlet.tools.rig.handback import HandBack, Heard
        from ringlet.tools.rig.rangefocus import RangeFocus, Tuning, ring_of
        from ringlet.tools.takes.recorder import Recorder, Start
        from ringlet.tools.takes.timecodes import RATES, frame_of

        entry = load_rig(RIG).controls[0]
        knob, chance = SimControl(entry, start_deg=160.0, seed=7), random.Random(11)
        left = self.focus.curves[0]
        bounds = bounds_of(self.link, 16, 0)
        low, high = max(bounds.low_deg, left.low_deg), min(bounds.high_deg, left.high_deg)
        self.bounds = bounds._replace(low_deg=low, high_deg=high)
        hand = HandBack(self.link.axis(16, 0).setpoint(), self.bounds)
        focus = RangeFocus(Tuning(ahead_s=MOTOR_LATE_S))
        rate = RATES[FRAME_RATE]
        last: int | None = None
        with Recorder(self.link, self.take, PLACES, start=Start(frame_of(FIRST_FRAME, rate), rate),
                      note="invented demo") as recorder:  # fmt: skip
            due, asked = 0.0, False
            while (now := recorder.live.now()) < LENGTH_S:
                knob.turn_to(_along(KNOB, now))
                arrived = knob.step(now)
                heard = None if WIRELESS_GAP[0] <= now < WIRELESS_GAP[1] else newest(arrived, last)
                last = heard.tag if heard is not None else last
                self._read_range(focus, now, chance)
                place = entry.mapping.ring_at(heard.place / 65535) if heard is not None and heard.known else None
                goal = ring_of(left, focus.focus(now).distance_m)
                press = now >= ASK_S and not asked
                asked = asked or press
                told = hand.step(now, Heard(now < AUTO_OFF_S, goal, place, press))
                self.moments.append(Moment(now, told, entry.mapping.ring_at(knob.place), subject_m(now)))
                self._send(told.setpoint_deg, now)
                self.link.send(hand.guide(16, 0))
                recorder.tick()
                due = max(due + STEP_S, now)
                self.link.wait(max(0.001, due - recorder.live.now()))
        lost = sum(recorder.writer.lost.values())
        return lost == 0, f"{LENGTH_S:g} s, {sum(recorder.writer.samples.values())} samples, {lost} lost"

    def _read_range(self, focus: Any, now: float, chance: random.Random) -> None:
        """One reading: noisy, late, sometimes of something else, and none at all for a while."""
        if DROPOUT[0] <= now < DROPOUT[1]:
            return
        seen = 1.0 / (1.0 / subject_m(now - READING_LATE_S) + chance.gauss(0.0, READING_NOISE_PER_M))
        if chance.random() < WRONG_SHARE:
            seen = 20.0
        self.readings.append((now, seen))
        focus.take(now, m.Range(0, round(1000 * seen), 220, round(1000 * READING_LATE_S), 1))

    def _send(self, left_deg: float, now: float) -> None:
        """The right lens gets the place where its own marks have the left one's distance."""
        self._stream(self.focus, 0, self.focus.curves[0].value_at(left_deg))
        share = min(max((now - 8.0) / 4.0, 0.0), 1.0)
        share = share * share * (3.0 - 2.0 * share)
        self._stream(self.iris, 1, TARGETS_T[0] * (TARGETS_T[1] / TARGETS_T[0]) ** share)

    def _stream(self, pair: Pair, axis: int, value: float) -> None:
        for node, curve in zip((16, 17), pair.curves, strict=True):
            inside = min(max(value, curve.nearest), curve.farthest)
            self.link.send(m.StreamRing(0, round(MDEG * curve.ring_at(inside))), node=node, axis=axis)

    # --- judged ----------------------------------------------------------------------------------------------------

    def _columns(self) -> dict[str, AxisColumns]:
        from ringlet.tools.takes.columns import columns
        from ringlet.tools.takes.reader import open_take

        return columns(open_take(self.take))

    def _judge_focus(self) -> tuple[bool, str]:
        held = self._columns()["16.0"]
        values = self.focus.curves[0].values_at(held.numbers["ring_deg"])
        off = [
            abs(1 / value - 1 / subject_m(at)) for at, value in zip(held.time_s, values, strict=True)
            if 1.0 < at < DROPOUT[0] or DROPOUT[1] + 1.0 < at < AUTO_OFF_S
        ]  # fmt: skip
        return max(off) < 0.03, f"left lens within {max(off):.4f} 1/m of the subject while readings were good"

    def _judge_hold(self) -> tuple[bool, str]:
        held = [one.told for one in self.moments if DROPOUT[0] + 0.6 < one.time_s < DROPOUT[1] - STEP_S]
        still = max(abs(one.setpoint_deg - held[0].setpoint_deg) for one in held)
        said = all(one.phase is Phase.AUTO_HELD for one in held)
        return said and still < 1e-6, f"{held[0].text} (moved {still:.4f} deg)"

    def _judge_handback(self) -> tuple[bool, str]:
        seen: list[str] = []
        steepest = hardest = 0.0
        for before, now in zip(self.moments, self.moments[1:], strict=False):
            seconds = now.time_s - before.time_s + 0.001
            way = abs(now.told.setpoint_deg - before.told.setpoint_deg) / seconds
            steepest = max(steepest, way)
            hardest = max(hardest, abs(now.told.velocity_deg_s - before.told.velocity_deg_s) / seconds)
            if not seen or seen[-1] != before.told.phase:
                seen.append(str(before.told.phase))
        wanted = ["auto", "away", "blending", "coupled", "lost", "away", "blending", "coupled"]
        tail = seen[-len(wanted):]
        ok = tail == wanted and steepest <= self.bounds.velocity_deg_s and hardest <= self.bounds.acceleration_deg_s2
        return ok, (
            f"{' > '.join(tail)}; at most {steepest:.0f} of {self.bounds.velocity_deg_s:.0f} deg/s and "
            f"{hardest:.0f} of {self.bounds.acceleration_deg_s2:.0f} deg/s2"
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

        from ringlet.tools.rig.plots import Drawn
        from ringlet.tools.takes.columns import columns
        from ringlet.tools.takes.reader import open_take

        held, again = self._columns(), columns(open_take(self.again))["16.0"]
        left = held["16.0"]
        right_deg = np.interp(left.time_s, held["17.0"].time_s, held["17.0"].numbers["ring_deg"])
        # A replay begins when the first setpoint goes out, a little after its recording does.
        late = _shift(left, again)
        there = again.time_s - late
        inside = (there >= left.time_s[0]) & (there <= left.time_s[-1])
        off = again.numbers["ring_deg"][inside] - np.interp(there[inside], left.time_s, left.numbers["ring_deg"])
        told = [one.told for one in self.moments]
        return Drawn(
            np.array([one.time_s for one in self.moments]), [str(one.phase) for one in told],
            np.array([one.setpoint_deg for one in told]), np.array([one.velocity_deg_s for one in told]),
            np.array([one.control_deg for one in self.moments]), np.array([one.subject_m for one in self.moments]),
            np.array([at for at, _ in self.readings]), np.array([value for _, value in self.readings]),
            left.time_s, left.numbers["ring_deg"], self.focus.curves[0].values_at(left.numbers["ring_deg"]),
            self.focus.curves[1].values_at(right_deg), there[inside], off, self.bounds.velocity_deg_s,
        )  # fmt: skip


def _shift(take: AxisColumns, again: AxisColumns) -> float:
    """Seconds by which the replay's recording is behind the take: where their setpoints agree best."""
    import numpy as np

    wanted, tries = take.numbers["setpoint_deg"], np.arange(-0.1, 0.3, 0.002)
    worst = [
        float(np.mean(np.abs(np.interp(take.time_s + one, again.time_s, again.numbers["setpoint_deg"]) - wanted)))
        for one in tries
    ]
    return float(tries[int(np.argmin(worst))])
