"""Depth of field against worked figures that others published, and against rays traced behind the lens.

Looked up as search excerpts, not as whole pages, on the day that the tests were written:
- Wikipedia, "Hyperfocal distance", section Example: 50 mm at f/8 with 0.03 mm.
- U.S. Army correspondence course SS0507, learning event 10: a 2 inch lens at f/8 with 0.002 inch.
- "The Barnet Book of Photography" (1898), chapter Depth: a 6 inch lens at f/8 with 1/100 inch.
- A worksheet in a computer algebra system (mapleprimes, "Precision depth of field of optical lens", 2016): limits
  solved from the lens equation without approximation, 25 mm at f/16 with 0.015 mm.
- C. W. Piper, "A First Book of the Lens" (1901), consecutive depths of field, as quoted elsewhere.
"""

from __future__ import annotations

import math
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ringlet.tools.lens.field import (
    FieldProblem,
    Optics,
    blur_m,
    depth,
    far_m,
    from_lens,
    hyperfocal_m,
    image_m,
    near_m,
    optics,
)

INCH = 25.4


def test_worked_example_of_the_encyclopedia() -> None:
    lens = optics(50, 8, 0.03)
    hyperfocal = hyperfocal_m(lens)
    assert hyperfocal * 1000 == pytest.approx(10467, abs=0.5)
    assert near_m(lens, math.inf) * 1000 == pytest.approx(10417, abs=0.5)  # focus at infinity
    # Its near limit for the hyperfocal distance is exactly half; ours is, too, to a part in f/H.
    assert near_m(lens, hyperfocal) * 1000 == pytest.approx(5233, rel=0.05 / 10.467)
    assert math.isinf(far_m(lens, hyperfocal))
    assert far_m(lens, hyperfocal / 2) * 1000 == pytest.approx(10467, rel=2 * 0.05 / 10.467)
    assert near_m(lens, hyperfocal / 2) * 1000 == pytest.approx(3489, rel=0.05 / 10.467)


def test_army_course() -> None:
    lens = optics(2 * INCH, 8, 0.002 * INCH)
    feet = 0.3048
    assert hyperfocal_m(lens) / feet == pytest.approx(20.8, abs=0.05 + lens.focal_m / feet)  # it leaves out + f
    assert near_m(lens, math.inf) / feet == pytest.approx(20.8, abs=0.05)
    assert near_m(lens, hyperfocal_m(lens)) / feet == pytest.approx(10.4, abs=0.05 + lens.focal_m / feet)


def test_barnet_book() -> None:
    lens = optics(6 * INCH, 8, INCH / 100)
    assert near_m(lens, math.inf) * 1000 / INCH == pytest.approx(450, abs=1e-9)
    assert near_m(lens, math.inf) / 0.3048 == pytest.approx(37.5, abs=1e-9)


@pytest.mark.parametrize("distance_mm", [300, 400, 500, 1000, 2000, 2600])
def test_limits_solved_by_computer_algebra(distance_mm: int) -> None:
    lens = optics(25, 16, 0.015)
    focal, hyperfocal = Fraction(25), Fraction(25**2) / (16 * Fraction(15, 1000)) + 25
    assert float(hyperfocal) == pytest.approx(2629.1666666666666667)
    assert hyperfocal_m(lens) * 1000 == pytest.approx(float(hyperfocal), rel=1e-12)
    near = distance_mm * (hyperfocal - focal) / (distance_mm + hyperfocal - 2 * focal)
    far = distance_mm * (focal - hyperfocal) / (distance_mm - hyperfocal)
    assert near_m(lens, distance_mm / 1000) * 1000 == pytest.approx(float(near), rel=1e-12)
    assert far_m(lens, distance_mm / 1000) * 1000 == pytest.approx(float(far), rel=1e-12)


@pytest.mark.parametrize("n", [2, 3, 4, 5, 8])
def test_consecutive_depths_of_field(n: int) -> None:
    """Focused at H/n it is sharp from H/(n+1) to H/(n-1), to a few f/H."""
    lens = optics(35, 4, 0.025)
    hyperfocal = hyperfocal_m(lens)
    slack = 2 * n * lens.focal_m / hyperfocal
    assert near_m(lens, hyperfocal / n) == pytest.approx(hyperfocal / (n + 1), rel=slack)
    assert far_m(lens, hyperfocal / n) == pytest.approx(hyperfocal / (n - 1), rel=slack)


def cone_m(lens: Optics, focus_m: float, subject_m: float) -> float:
    """Diameter of the cone of rays on the image plane, from the lens equation alone: 1/f = 1/s + 1/s'."""

    def behind(distance: float) -> float:
        return 1.0 / (1.0 / lens.focal_m - 1.0 / distance)

    meet, plane = behind(subject_m), behind(focus_m)
    return lens.focal_m / lens.stop * abs(meet - plane) / meet


LENSES = st.builds(optics, st.floats(10, 300), st.floats(1, 22), st.floats(0.005, 0.05))


@given(LENSES, st.floats(0.05, 1))
def test_at_both_limits_the_blur_is_the_circle_of_confusion(lens: Optics, share: float) -> None:
    focus = max(3 * lens.focal_m, share * hyperfocal_m(lens))
    near, far = near_m(lens, focus), far_m(lens, focus)
    assert lens.focal_m < near < focus < far
    assert cone_m(lens, focus, near) == pytest.approx(lens.coc_m, rel=1e-6)
    assert blur_m(lens, focus, near) == pytest.approx(lens.coc_m, rel=1e-6)
    if far < 1e6:
        assert cone_m(lens, focus, far) == pytest.approx(lens.coc_m, rel=1e-4)
        assert blur_m(lens, focus, far) == pytest.approx(lens.coc_m, rel=1e-4)


@given(LENSES, st.floats(0.5, 50), st.floats(0.5, 50))
def test_blur_is_the_cone_of_rays(lens: Optics, focus: float, subject: float) -> None:
    assert blur_m(lens, focus, subject) == pytest.approx(cone_m(lens, focus, subject), rel=1e-6, abs=1e-12)


def test_blur_at_infinity() -> None:
    lens = optics(50, 2, 0.025)
    assert blur_m(lens, math.inf, 10.0) == pytest.approx(cone_m(lens, 1e9, 10.0), rel=1e-6)
    assert blur_m(lens, 10.0, math.inf) == pytest.approx(cone_m(lens, 10.0, 1e9), rel=1e-6)
    assert blur_m(lens, math.inf, math.inf) == 0.0


@given(LENSES, st.floats(1.5, 100))
def test_distances_from_the_image_plane(lens: Optics, distance: float) -> None:
    s = from_lens(lens, distance)
    assert s + image_m(lens, s) == pytest.approx(distance, rel=1e-9)
    assert 1 / s + 1 / image_m(lens, s) == pytest.approx(1 / lens.focal_m, rel=1e-9)
    found = depth(lens, distance)
    assert found.near_m - image_m(lens, s) == pytest.approx(near_m(lens, s), rel=1e-9)
    assert found.near_m < distance < found.far_m


def test_no_image_nearer_than_four_focal_lengths() -> None:
    with pytest.raises(FieldProblem, match=r"nearer than four focal lengths \(0.4 m\)"):
        from_lens(optics(100, 2, 0.025), 0.39)


def test_transmission_makes_the_f_number_smaller() -> None:
    # A T-stop of N over the root of the transmission: T2 with 81 % is f/1.8.
    assert optics(50, 2, 0.025, 0.81).stop == pytest.approx(1.8)
    assert hyperfocal_m(optics(50, 2, 0.025, 0.81)) > hyperfocal_m(optics(50, 2, 0.025))


@pytest.mark.parametrize(
    ("given_", "word"),
    [
        ((0.5, 2, 0.025), "focal length"),
        ((50, 0.1, 0.025), "T-stop"),
        ((50, 2, 0), "circle of confusion"),
        ((math.nan, 2, 0.025), "focal length"),
        ((50, 2, 0.025, 1.2), "transmission"),
    ],
)
def test_what_no_lens_has(given_: tuple[float, ...], word: str) -> None:
    with pytest.raises(FieldProblem, match=word):
        optics(*given_)
