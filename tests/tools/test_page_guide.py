"""The hand-back guide (how far and which way a control must go to meet its ring), and traces."""

from __future__ import annotations

import time

import numpy as np
import pytest
from conftest import serving
from page_helpers import shot

from ringlet.hwsim.control import FULL, Mapping
from ringlet.hwsim.rigfile import load_rig
from ringlet.hwsim.simrig import SimRig
from ringlet.protocol import messages as m
from ringlet.tools.link import Link
from ringlet.tools.page.bench_thread import Bench
from ringlet.tools.page.guide import Guides
from ringlet.tools.page.traces import Trace
from ringlet.tools.rig.handback import SILENT_S

LEFT, RIGHT = (16, 0), (17, 0)
HALF = Mapping(ring_low_deg=0.0, ring_high_deg=200.0)


def test_the_guide_says_how_far_and_which_way() -> None:
    guides = Guides({})
    guides.hear(3, m.Guide(0, 16, 0, 12_500, 0), 10.0, 0.0, (0.0, 300.0))
    told = guides.shot(LEFT, 10.1)
    assert told is not None
    assert (told.control, told.distance, told.phase, told.fresh, told.met) == (3, 12.5, "away", True, False)
    guides.hear(3, m.Guide(0, 16, 0, -400, 2), 10.2, 0.0, (0.0, 300.0))
    told = guides.shot(LEFT, 10.2)
    assert told is not None
    assert (told.distance, told.phase, told.met) == (-0.4, "coupled", True)
    late = guides.shot(LEFT, 10.3 + SILENT_S)
    assert late is not None
    assert (late.phase, late.fresh) == ("lost", False)
    assert guides.shot(RIGHT, 10.0) is None


def test_without_a_guide_the_place_of_the_control_is_compared_with_the_ring() -> None:
    guides = Guides({(2, LEFT): ("focus knob", HALF)})
    half = m.Knob(0, 16, 0, FULL // 2, 1)
    guides.hear(2, half, 1.0, 130.0, (0.0, 300.0))
    told = guides.shot(LEFT, 1.0)
    assert told is not None
    assert (told.name, told.distance) == ("focus knob", pytest.approx(30.0, abs=0.01))
    guides.hear(5, half, 1.1, 130.0, (0.0, 300.0))  # no mapping: the share of the travel
    other = guides.shot(LEFT, 1.1)
    assert other is not None
    assert other.distance == pytest.approx(-20.0, abs=0.01)
    guides.hear(2, half._replace(known=0), 1.2, 130.0, (0.0, 300.0))
    unsure = guides.shot(LEFT, 1.2)
    assert unsure is not None
    assert unsure.distance is None
    assert "index" in unsure.told
    guides.hear(2, m.Guide(0, 16, 0, 7000, 1), 1.3, 130.0, (0.0, 300.0))
    guides.hear(2, half, 1.31, 130.0, (0.0, 300.0))  # whoever hands back knows better
    kept = guides.shot(LEFT, 1.31)
    assert kept is not None
    assert (kept.distance, kept.phase) == (7.0, "blending")


def test_a_guide_of_another_program_on_the_bus_is_shown() -> None:
    with serving(SimRig(load_rig("single")), "virtual") as there, Bench(there.url) as one:
        place = (one.snapshot.axes[0].node, one.snapshot.axes[0].axis)
        with Link.open(there.url, source=9) as other:
            end = time.monotonic() + 10
            while (seen := shot(one, place).guide) is None and time.monotonic() < end:
                other.send(m.Guide(0, *place, -3500, 1))
                other.wait(0.05)
    assert seen is not None
    assert (seen.control, seen.distance, seen.phase) == (9, -3.5, "blending")


# --- traces -----------------------------------------------------------------------------------------------------------


def test_times_of_a_trace_only_rise() -> None:
    trace = Trace(10)
    for at in (1.0, 2.0, 1.5, 1.6, 3.0):
        trace.add(at, (0.0, 0.0, 0.0, 0.0))
    times, _ = trace.since(0)
    assert (np.diff(times) > 0).all()
    assert times[-1] == 3.0
    assert times[2] == pytest.approx(2.0, abs=1e-5)


def test_a_part_of_a_trace_is_thinned_out_and_keeps_its_peaks() -> None:
    trace = Trace(5000)
    for number in range(4000):
        deg = 50.0 if number == 1234 else -50.0 if number == 2345 else 0.1 * (number % 7)
        trace.add(number / 50, (deg, deg, 0.0, 0.0))
    times, rows = trace.part(10.0, 70.0, 200)
    assert 50 < len(times) <= 202
    assert times[0] >= 10.0
    assert times[-1] < 70.0
    assert (np.diff(times) > 0).all()
    assert rows[:, 0].max() == 50.0
    assert rows[:, 0].min() == -50.0
    whole, _ = trace.part(10.0, 11.0, 200)
    assert len(whole) == 50
    assert len(trace.part(100.0, 120.0, 200)[0]) == 0
