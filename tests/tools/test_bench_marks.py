"""What deviations of the ring mean at lens marks, by hand and on a simulated axis that holds marks."""

from __future__ import annotations

import json
import math
import random
from pathlib import Path

import pytest

from ringlet.tools.bench import marks
from ringlet.tools.bench.registry import MEASUREMENTS
from ringlet.tools.bench.result import Measurement
from ringlet.tools.bench.session import on_bench
from ringlet.tools.lens import transfer
from ringlet.tools.lens.curve import MarkCurve
from ringlet.tools.lens.wiretable import table_of
from ringlet.tools.link import Link

STRAIGHT = MarkCurve.from_marks([(0.0, 1.0), (5.0, 1 / 0.75), (10.0, 2.0), (20.0, math.inf)], "distance")
"""1/d falls by 0.05 a degree, so the curve is this straight line whatever joins the marks."""


def test_width_at_a_mark_worked_by_hand() -> None:
    """At 5 degrees 1/d is 0.75 per m, and 1 degree about it gives 1/0.725 - 1/0.775 m. At the first mark the scale
    ends: only the half degree inside counts. At infinity 1/d goes up to 0.025 per m: 40 m."""
    first, inner, _, last = marks.at_marks(STRAIGHT, 1.0)
    assert inner.width == pytest.approx(1 / 0.725 - 1 / 0.775)
    assert inner.scale == pytest.approx(0.05)
    assert first.width == pytest.approx(1 / 0.975 - 1.0)
    assert math.isinf(last.width)
    assert last.scale == pytest.approx(0.025)
    assert last.near == pytest.approx(40.0)


def test_the_width_is_the_slope_times_a_small_deviation() -> None:
    rng = random.Random(4)
    for unit, first, last in (("distance", 0.5, math.inf), ("stop", 1.4, 22.0), ("focal", 24.0, 290.0)):
        inner = [0.9, 2.0, 7.0] if unit == "distance" else [first * (last / first) ** x for x in (0.3, 0.55, 0.7)]
        rings = sorted(rng.uniform(0.0, 300.0) for _ in range(5))
        curve = MarkCurve.from_marks(list(zip(rings, [first, *inner, last], strict=True)), unit)
        for one in marks.at_marks(curve, 1e-3)[1:-1]:
            assert one.width == pytest.approx(abs(curve.slope_at(one.ring_deg)) * 1e-3, rel=1e-3)
            assert one.scale == pytest.approx(abs(curve.rate_at(one.ring_deg)) * 1e-3, rel=1e-3)


def test_figures_are_in_millimetres_and_feet_and_finite_at_infinity() -> None:
    quantities, table, plot = marks.figures(STRAIGHT, "test", {"reversal value B": (1.0, 0.1)})
    by_name = {one.name: one for one in quantities}
    inner = by_name["reversal value B at 1.333 m (4'4 1/2\")"]
    assert inner.unit == "mm"
    assert inner.value == pytest.approx(1e3 * (1 / 0.725 - 1 / 0.775))
    assert "3.50 in" in inner.method  # 88.99 mm
    wider = 1e3 * (1 / 0.7225 - 1 / 0.7775)
    assert inner.uncertainty == pytest.approx(wider - inner.value)
    far = by_name["reversal value B at infinity"]
    assert (far.unit, far.value) == ("1/m", pytest.approx(0.025))
    assert "40.00 m" in far.method
    assert len({len(column) for column in table.values()}) == 1
    assert table["slope_per_m_per_deg"] == pytest.approx([-0.05] * 4)
    assert len(plot.curves[0].x) == 3


def test_stops_and_focal_lengths_have_their_own_units() -> None:
    iris = MarkCurve.from_marks([(0.0, 2.0), (10.0, 2.0 * 2**0.5), (20.0, 4.0)], "stop")
    shown, *_ = marks.figures(iris, "test", {"play": (0.5, 0.1)})
    assert [one.unit for one in shown] == ["stops"] * 3
    assert shown[1].value == pytest.approx(0.05)  # 1 stop in 10 degrees
    zoom = MarkCurve.from_marks([(0.0, 25.0), (50.0, 50.0), (100.0, 100.0)], "focal")
    shown, *_ = marks.figures(zoom, "test", {"play": (0.5, 0.1)})
    assert shown[1].unit == "mm"
    assert shown[1].value == pytest.approx(50.0 * math.log(2.0) / 50.0 * 0.5, rel=1e-3)


def test_a_close_table_shows_few_figures_and_keeps_all_rows() -> None:
    curve = MarkCurve.from_marks([(float(n), 1.0 / (1.0 - n / 40)) for n in range(40)] + [(40.0, math.inf)], "distance")
    shown, table, _ = marks.figures(curve, "test", {"play": (0.1, 0.01)})
    assert len(shown) == marks.SHOWN
    assert len(table["mark_deg"]) == 41


def measured(rig: Path, curve: MarkCurve | None, upload: MarkCurve | None) -> Measurement:
    with Link.open(f"sim:{rig}") as link:
        handle = link.axis(16, 0)
        handle.set("travel-min", -20.0)
        handle.set("travel-max", 20.0)
        if upload is not None:
            transfer.upload(handle, table_of(upload, 5))
        with on_bench(link, handle, curve=curve) as bench:
            found = MEASUREMENTS["repeat"].measure(bench)
    json.dumps(found.to_json(), allow_nan=False)
    return found


@pytest.fixture
def rig(tmp_path: Path) -> Path:
    path = tmp_path / "rig.toml"
    path.write_text(
        'name = "marks"\n[[nodes]]\nunique_id = 7\naddress = 16\n[[nodes.axes]]\nmotor = "small"\nlens = "iris"\n'
        'role = "focus"\nring_start_deg = 37.5\n'
    )
    return path


LENS = MarkCurve.from_marks([(-20.0, 0.5), (-5.0, 1.0), (6.0, 2.5), (20.0, math.inf)], "distance")


def test_marks_on_the_axis_turn_degrees_into_distance(rig: Path) -> None:
    found = measured(rig, None, LENS)
    reversal = found.quantity("reversal value B").value
    at = next(one for one in found.quantities if one.name.startswith("reversal value B at 1.000 m"))
    truth = 1e3 * abs(LENS.slope_at(-5.0)) * reversal
    assert truth > 5.0
    # The table of the motor has few marks, so its curve is not quite that of the lens.
    assert at.value == pytest.approx(truth, rel=0.25)
    assert "marks on the axis" in at.method
    back = next(one for one in found.quantities if one.name.startswith("repeatability R at 1.000 m"))
    assert back.uncertainty is not None
    assert back.value > at.value
    assert back.uncertainty > 0
    assert "mark_deg" in found.records["marks"]


def test_a_lens_card_counts_before_the_axis_and_no_marks_are_told(rig: Path) -> None:
    own = measured(rig, LENS, None)
    assert any("the lens's own marks" in one.method for one in own.quantities)
    assert not any("no lens marks" in note for note in own.notes)
    none = measured(rig, None, None)
    assert any("no lens marks" in note for note in none.notes)
    assert "marks" not in none.records
