"""Depth of field of a thin lens: what is sharp, and how large a point becomes that is not.

A. R. Greenleaf, "Photographic Optics" (1950), depth of field equations (that they stand there was looked up; the
equations here were derived anew). Distances in the functions are from the lens; `from_lens` and `from_image` go between
them and distances from the image plane, from which focus marks are counted (common practice). Both principal planes of
a thin lens are one, so for a long lens with a deep glass the two differ by its depth.

A T-stop stands for the f-number unless a transmission is given: N = T sqrt(transmission) (ISO 517 defines the T-number
by N / sqrt(transmission); from memory).
"""

from __future__ import annotations

import math
from typing import NamedTuple

from ringlet.tools.errors import UsageProblem


class FieldProblem(UsageProblem):
    """A lens or a distance that cannot be: one sentence."""


class Optics(NamedTuple):
    """A thin lens at a stop, and the blur that still passes for sharp. Lengths in m."""

    focal_m: float
    stop: float
    """f-number"""
    coc_m: float
    """diameter of the circle of confusion on the image plane"""

    @property
    def aperture_m(self) -> float:
        """Diameter of the entrance pupil, focal length over f-number."""
        return self.focal_m / self.stop


def optics(focal_mm: float, t_stop: float, coc_mm: float, transmission: float = 1.0) -> Optics:
    """A lens from what a person says. Raises FieldProblem for what cannot be."""
    if not 0 < transmission <= 1:
        raise FieldProblem(f"the transmission is {transmission:g}; it must be above 0 and at most 1.")
    for name, value, low, high, unit in (
        ("focal length", focal_mm, 1.0, 5000.0, "mm"),
        ("T-stop", t_stop, 0.3, 128.0, ""),
        ("circle of confusion", coc_mm, 0.0005, 1.0, "mm"),
    ):
        if not low <= value <= high:
            unit = f" {unit}" if unit else ""
            raise FieldProblem(f"the {name} is {value:g}{unit}; it must be {low:g} to {high:g}{unit}.")
    return Optics(focal_mm / 1000.0, t_stop * math.sqrt(transmission), coc_mm / 1000.0)


def hyperfocal_m(lens: Optics) -> float:
    """The nearest focus at which infinity is still sharp: f^2 / (N c) + f."""
    return lens.focal_m**2 / (lens.stop * lens.coc_m) + lens.focal_m


def near_m(lens: Optics, focus_m: float) -> float:
    """The nearest sharp distance: s (H - f) / (H + s - 2 f)."""
    if math.isinf(focus_m):
        return hyperfocal_m(lens) - lens.focal_m
    far_part = hyperfocal_m(lens) - lens.focal_m
    return focus_m * far_part / (far_part + focus_m - lens.focal_m)


def far_m(lens: Optics, focus_m: float) -> float:
    """The farthest sharp distance: s (H - f) / (H - s), infinite from the hyperfocal distance on."""
    hyperfocal = hyperfocal_m(lens)
    if focus_m >= hyperfocal:
        return math.inf
    return focus_m * (hyperfocal - lens.focal_m) / (hyperfocal - focus_m)


def blur_m(lens: Optics, focus_m: float, subject_m: float) -> float:
    """Diameter on the image plane of a point at one distance while the lens is focused at another.

    A f |s - d| / (d (s - f)) for focus s, subject d and aperture A: similar triangles behind the lens.
    """
    if math.isinf(focus_m) and math.isinf(subject_m):
        return 0.0
    if math.isinf(focus_m):
        return lens.aperture_m * lens.focal_m / subject_m
    gain = lens.aperture_m * lens.focal_m / (focus_m - lens.focal_m)
    return gain if math.isinf(subject_m) else gain * abs(focus_m - subject_m) / subject_m


def image_m(lens: Optics, focus_m: float) -> float:
    """Distance of the image plane behind the lens: f s / (s - f)."""
    return lens.focal_m if math.isinf(focus_m) else lens.focal_m * focus_m / (focus_m - lens.focal_m)


def from_lens(lens: Optics, from_image_m: float) -> float:
    """Distance from the lens of a subject in focus, from its distance to the image plane.

    D = s + f s / (s - f), solved for the greater s. Raises FieldProblem nearer than 4 f, where a thin lens has no
    image.
    """
    if math.isinf(from_image_m):
        return math.inf
    root = from_image_m**2 - 4.0 * from_image_m * lens.focal_m
    if root <= 0:
        raise FieldProblem(
            f"{from_image_m:g} m from the image plane is nearer than four focal lengths "
            f"({4 * lens.focal_m:g} m), where a thin lens cannot focus; begin farther away."
        )
    return 0.5 * (from_image_m + math.sqrt(root))


class Field(NamedTuple):
    """What is sharp at one focus. Distances in m from the image plane."""

    focus_m: float
    near_m: float
    far_m: float


def depth(lens: Optics, focus_m: float) -> Field:
    """Near and far limit for a focus mark; all three are counted from the image plane. Raises FieldProblem."""
    s = from_lens(lens, focus_m)
    behind = image_m(lens, s)
    return Field(focus_m, near_m(lens, s) + behind, far_m(lens, s) + behind)
