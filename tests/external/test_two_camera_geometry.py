"""Two-camera geometry against pinholes whose rays are traced, and against the textbook's parallel pair.

Sources: A. J. Woods, T. Docherty and R. Koch, Proc. SPIE 1915 (1993), treats this geometry (abstract looked up); depth
from the disparity of a parallel pair, Z = f b / d, is in every computer vision text (looked up in the slides of a
university course, "Resultant depth calculation").
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ringlet.tools.lens import twocamera as two
from ringlet.tools.lens.twocamera import RigProblem, TwoCameras

RIGS = st.builds(two.two_cameras, st.floats(5, 200), st.floats(0.8, 30), st.floats(10, 150), st.floats(10, 60))


def seen(rig: TwoCameras, point: tuple[float, float, float]) -> tuple[tuple[float, float], tuple[float, float]]:
    """(x, y) on the image plane of the left and the right camera, by turning the point into each camera's frame."""
    angle = math.radians(rig.toe_in_deg)
    found = []
    for side in (-1.0, 1.0):  # left at x = -b/2, turned right; right at x = +b/2, turned left
        turn = side * angle
        away = np.array(point) - np.array([side * rig.interaxial_m / 2, 0.0, 0.0])
        frame = np.array(
            [
                [math.cos(turn), 0.0, math.sin(turn)],
                [0.0, 1.0, 0.0],
                [-math.sin(turn), 0.0, math.cos(turn)],
            ]
        )
        x, y, z = frame @ away
        found.append((rig.focal_m * float(x / z), rig.focal_m * float(y / z)))
    return found[0], found[1]


@given(RIGS, st.floats(0.5, 200))
def test_parallax_is_what_two_pinholes_see(rig: TwoCameras, distance: float) -> None:
    left, right = seen(rig, (0.0, 0.0, distance))
    assert two.parallax_m(rig, distance) == pytest.approx(right[0] - left[0], rel=1e-9, abs=1e-12)


@given(RIGS)
def test_no_parallax_where_the_axes_cross(rig: TwoCameras) -> None:
    assert two.parallax_m(rig, rig.convergence_m) == pytest.approx(0.0, abs=1e-15)
    # The axis of the left camera, from x = -b/2, meets the middle line there.
    assert rig.interaxial_m / 2 / math.tan(math.radians(rig.toe_in_deg)) == pytest.approx(rig.convergence_m)
    assert two.parallax_m(rig, rig.convergence_m * 1.1) > 0 > two.parallax_m(rig, rig.convergence_m / 1.1)


@given(RIGS, st.floats(-0.5, 0.5), st.floats(-0.5, 0.5), st.floats(2, 20))
def test_vertical_parallax_is_what_two_pinholes_see(rig: TwoCameras, height: float, side: float, z: float) -> None:
    left, right = seen(rig, (side, height, z))
    assert two.vertical_m(rig, height, side, z) == pytest.approx(right[1] - left[1], rel=1e-6, abs=1e-12)


def test_parallel_cameras_are_the_textbook_pair() -> None:
    rig = two.two_cameras(65, math.inf, 35, 24.9)
    assert rig.toe_in_deg == 0
    for distance in (1.0, 2.0, 10.0, 100.0):
        disparity = -two.parallax_m(rig, distance)  # a parallel pair sees all in front of its screen
        # The angle of both halves against the tangent of one: equal to (b / 2 Z)^2.
        assert rig.focal_m * rig.interaxial_m / disparity == pytest.approx(distance, rel=1e-9)
    assert two.vertical_m(rig, 0.3, 0.4, 2.0) == pytest.approx(0.0, abs=1e-15)


@given(RIGS, st.floats(0.5, 50))
def test_small_angles(rig: TwoCameras, distance: float) -> None:
    """f b (1/C - 1/Z), as long as the angles are small."""
    steep = rig.interaxial_m / min(distance, rig.convergence_m)
    simple = rig.focal_m * rig.interaxial_m * (1 / rig.convergence_m - 1 / distance)
    assert two.parallax_m(rig, distance) == pytest.approx(simple, rel=steep**2, abs=1e-12)


@given(RIGS, st.floats(0.002, 0.05), st.floats(0.002, 0.05))
def test_at_the_limits_the_parallax_is_at_its_bounds(rig: TwoCameras, towards: float, away: float) -> None:
    found = two.limits(rig, towards, away)
    assert found.near_m < rig.convergence_m < found.far_m
    left, right = seen(rig, (0.0, 0.0, found.near_m))
    assert (right[0] - left[0]) / rig.sensor_width_m == pytest.approx(-towards, rel=1e-6)
    if math.isinf(found.far_m):
        assert two.share(rig, math.inf) <= away + 1e-9
    else:
        assert two.share(rig, found.far_m) == pytest.approx(away, rel=1e-6)


def test_numbers_worked_by_hand() -> None:
    # 65 mm at 2 m: atan(0.0325 / 2) = 0.9310 deg. Infinity: 2 f tan of it = 35 mm * 0.065 / 2 = 1.1375 mm.
    rig = two.two_cameras(65, 2, 35, 24.9)
    assert rig.toe_in_deg == pytest.approx(0.9310, abs=5e-5)
    assert two.parallax_m(rig, math.inf) * 1000 == pytest.approx(1.1375, abs=1e-9)
    assert two.screen_parallax_m(rig, math.inf, 10.0) == pytest.approx(10 * 1.1375 / 24.9, rel=1e-9)


@given(st.floats(1, 5), st.floats(1.2, 3), st.floats(1.2, 5), st.floats(0.002, 0.03), st.floats(0.002, 0.03))
def test_the_greatest_interaxial_just_keeps_a_bound(
    near: float, c: float, f: float, towards: float, away: float
) -> None:
    rig = TwoCameras(0.0, near * c, 0.035, 0.025)
    base = two.interaxial_for(rig, near, near * c * f, towards, away)
    left, right = seen(rig._replace(interaxial_m=base), (0.0, 0.0, near))
    far_left, far_right = seen(rig._replace(interaxial_m=base), (0.0, 0.0, near * c * f))
    used = ((left[0] - right[0]) / 0.025 / towards, (far_right[0] - far_left[0]) / 0.025 / away)
    assert max(used) == pytest.approx(1.0, rel=1e-6)
    assert min(used) > 0


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: two.two_cameras(-1, 2, 35, 25), "interaxial distance is -1 mm"),
        (lambda: two.two_cameras(60, 0, 35, 25), "convergence distance is 0 m"),
        (lambda: two.two_cameras(60, 2, math.nan, 25), "focal length is nan mm"),
        (lambda: two.limits(two.two_cameras(60, 2, 35, 25), 0, 0.01), "in front of the screen is 0 %"),
        (lambda: two.interaxial_for(two.two_cameras(60, 2, 35, 25), 3, 9, 0.01, 0.01), "does not lie between"),
    ],
)
def test_what_cannot_be(call: object, words: str) -> None:
    with pytest.raises(RigProblem, match=words):
        call()  # type: ignore[operator]
