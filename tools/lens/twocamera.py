"""Geometry of a two-camera rig: toe-in, parallax on the image plane and on a screen, near and far limits.

A. J. Woods, T. Docherty and R. Koch, "Image distortions in stereoscopic video systems", Proc. SPIE 1915 (1993), treats
camera and display geometry of converged and of parallel rigs (that the paper does was looked up; equations here are
derived anew from two pinholes, and the tests trace the rays). Distances are from the middle of the line between the two
entrance pupils. Two converged cameras also give vertical parallax towards the corners (keystone), which `vertical_m`
states.
"""

from __future__ import annotations

import math
from typing import Final, NamedTuple

from ringlet.tools.errors import UsageProblem


class RigProblem(UsageProblem):
    """Geometry that cannot be, or that a rig must not take: one sentence."""


class TwoCameras(NamedTuple):
    """Two equal cameras side by side, turned in evenly. Lengths in m."""

    interaxial_m: float
    convergence_m: float
    """where the two axes cross; infinity for parallel cameras"""
    focal_m: float
    sensor_width_m: float
    """width of the image that is shown"""

    @property
    def toe_in_deg(self) -> float:
        """Angle by which each camera is turned in: atan(b / (2 C))."""
        return math.degrees(math.atan2(0.5 * self.interaxial_m, self.convergence_m))


def two_cameras(interaxial_mm: float, convergence_m: float, focal_mm: float, sensor_width_mm: float) -> TwoCameras:
    """A rig from what a person says. Raises RigProblem for what cannot be."""
    for name, value, low, high, unit in (
        ("interaxial distance", interaxial_mm, 0.0, 10_000.0, "mm"),
        ("convergence distance", convergence_m, 0.05, math.inf, "m"),
        ("focal length", focal_mm, 1.0, 5000.0, "mm"),
        ("image width", sensor_width_mm, 1.0, 500.0, "mm"),
    ):
        if not low <= value <= high:
            raise RigProblem(f"the {name} is {value:g} {unit}; it must be {low:g} to {high:g} {unit}.")
    return TwoCameras(interaxial_mm / 1000.0, convergence_m, focal_mm / 1000.0, sensor_width_mm / 1000.0)


def toe_in_deg(interaxial_m: float, convergence_m: float) -> float:
    """Angle of each camera so that the axes cross at a distance."""
    return math.degrees(math.atan2(0.5 * interaxial_m, convergence_m))


def parallax_m(rig: TwoCameras, distance_m: float) -> float:
    """Parallax on the image plane of a point straight ahead, m: above 0 behind the plane of convergence.

    Each camera sees it off its axis by the angle between the line to it and its own axis, so the parallax is
    2 f tan(toe-in - atan(b / (2 Z))). For small angles this is f b (1/C - 1/Z).
    """
    angle = math.atan2(0.5 * rig.interaxial_m, rig.convergence_m) - math.atan2(0.5 * rig.interaxial_m, distance_m)
    return 2.0 * rig.focal_m * math.tan(angle)


def share(rig: TwoCameras, distance_m: float) -> float:
    """Parallax as a share of the picture's width, the same on the image plane and on every screen."""
    return parallax_m(rig, distance_m) / rig.sensor_width_m


def distance_m(rig: TwoCameras, parallax_share: float) -> float:
    """The distance straight ahead that has this parallax; infinity where even that has less.

    Raises RigProblem where no distance in front of the rig has so much parallax towards the viewer.
    """
    turned = math.atan(0.5 * parallax_share * rig.sensor_width_m / rig.focal_m)
    angle = math.atan2(0.5 * rig.interaxial_m, rig.convergence_m) - turned
    if angle >= math.pi / 2:
        raise RigProblem(f"no distance has a parallax of {100 * parallax_share:g} % of the width; ask for less.")
    return math.inf if angle <= 1e-12 else 0.5 * rig.interaxial_m / math.tan(angle)


class Limits(NamedTuple):
    """Between which distances the parallax keeps to its bounds, m."""

    near_m: float
    far_m: float


def limits(rig: TwoCameras, towards_share: float, away_share: float) -> Limits:
    """Near and far limit for the most parallax in front of the screen and behind it, as shares of the width.

    Both bounds are given above 0. Raises RigProblem.
    """
    for name, value in (("in front of the screen", towards_share), ("behind the screen", away_share)):
        if not 0 < value <= 0.5:
            raise RigProblem(
                f"the parallax {name} is {100 * value:g} % of the width; it must be above 0 and at most 50 %."
            )
    if rig.interaxial_m == 0:
        return Limits(0.0, math.inf)
    return Limits(distance_m(rig, -towards_share), distance_m(rig, away_share))


def interaxial_for(rig: TwoCameras, near: float, far: float, towards_share: float, away_share: float) -> float:
    """The greatest interaxial distance, m, at which all from `near` to `far` keeps within the bounds of `limits`.

    Convergence and lens are those of `rig`. Found by halving on the exact parallax, which grows with the interaxial
    distance up to 2 sqrt(near C). Raises RigProblem.
    """
    if not 0 < near <= rig.convergence_m <= far:
        raise RigProblem(
            f"convergence at {rig.convergence_m:g} m does not lie between the near limit of {near:g} m and the far "
            f"limit of {far:g} m; move one of them."
        )
    low, high = 0.0, 2.0 * near
    for _ in range(60):
        middle = 0.5 * (low + high)
        tried = rig._replace(interaxial_m=middle)
        if share(tried, near) >= -towards_share and share(tried, far) <= away_share:
            low = middle
        else:
            high = middle
    return low


def vertical_m(rig: TwoCameras, height_m: float, sideways_m: float, distance: float) -> float:
    """Vertical parallax on the image plane of a point off the middle, m: what toe-in costs (keystone).

    `height_m` and `sideways_m` are the point's place across the middle line, `distance` that along it.
    """
    angle = math.atan2(0.5 * rig.interaxial_m, rig.convergence_m)
    seen = []
    for side in (-1.0, 1.0):
        across = sideways_m - side * 0.5 * rig.interaxial_m
        depth = distance * math.cos(angle) - side * across * math.sin(angle)
        seen.append(rig.focal_m * height_m / depth)
    return seen[1] - seen[0]


HEIGHT: Final = 9 / 16
"""Height of the picture over its width, for the corner (common practice, no source)."""


def corner_vertical_m(rig: TwoCameras, distance: float) -> float:
    """Vertical parallax on the image plane of a point in a corner, m; none with both cameras at one place."""
    if rig.interaxial_m == 0:
        return 0.0
    width = rig.sensor_width_m * distance / rig.focal_m
    return vertical_m(rig, 0.5 * HEIGHT * width, 0.5 * width, distance)


EYES_M: Final = 0.065
"""Distance between the eyes, m (common practice, no source). More parallax than this behind a screen turns them out."""


def screen_parallax_m(rig: TwoCameras, distance: float, screen_width_m: float) -> float:
    """Parallax of a point straight ahead on a screen of this width, m."""
    return share(rig, distance) * screen_width_m
