"""Answers of the commands for lenses; see `answers`."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import RootModel

from ringlet.tools.answers import Also, Answer, Infinite, Place, says, sometimes
from ringlet.tools.bench.result import Verdict
from ringlet.tools.lens import clearance
from ringlet.tools.lens.budget import Figure
from ringlet.tools.lens.clearance import Box
from ringlet.tools.lens.mirror import Fenced
from ringlet.tools.lens.together import Arrived

Kind = Literal["distance", "stop", "focal"]
"""Of marks: their values are m, T or mm."""


class Figures(Answer):
    """What is known of the motor on this lens; null where nothing is."""

    count_deg: Annotated[Figure, Also()] | None
    play_deg: Annotated[Figure, Also()] | None
    repeat_deg: Annotated[Figure, Also()] | None
    latency_s: Annotated[Figure, Also()] | None
    top_speed_deg_s: Annotated[Figure, Also()] | None


class BudgetRow(Answer):
    """What one distance needs."""

    distance_m: Infinite
    near_m: Infinite
    far_m: Infinite
    span_deg: Infinite
    allowed_deg: float = says("What the ring may be off to either side.")
    ring_speed_deg_s: float
    error_deg: float = says("What the motor is off.")


class Budget(Answer):
    """What keeps the picture sharp, and whether the motor does."""

    hyperfocal_from_lens_m: float
    motor: str
    figures: Figures
    required: dict[str, Infinite] = says("The most of each: count, play and repeatability in deg, latency in s.")
    not_known: list[str]
    worst_distance_m: Infinite
    verdicts: list[Annotated[Verdict, Also()]]
    table: list[BudgetRow]
    plot: str | None


class MarksTake(Answer):
    """A session at the bench."""

    finished: bool
    marks: int
    out: str = sometimes("The file of marks, when it is finished.")
    fit_deg: float = sometimes("How well the marks lie on one curve, when it is finished.")
    journal: str = sometimes("What to go on from, when it is not finished.")


class ShownMark(Answer):
    """One mark."""

    ring_deg: float
    value: Infinite = says("In m, T or mm.")
    low: Infinite = says("The least that the ring may stand for.")
    high: Infinite = says("The most that the ring may stand for.")
    or_past_infinity: bool = says("The ring may stand past infinity.")
    left_out_deg: float | None = says("How far it lies from the curve through the others.")
    left_out_value: Infinite | None = says("What the others say it should be.")


class MarksShow(Answer):
    """The marks of a lens."""

    name: str
    kind: Kind
    marks: list[ShownMark]
    fit_deg: float = says("How well the marks lie on one curve.")
    doubt_deg: float = says("How sure a ring angle is, coverage factor 2.")
    scale: str = says("In which marks are joined.")
    past_infinity_deg: float | None = says("Where the ring ends past infinity; null when it does not turn past it.")
    plot: str | None


class Converted(Answer):
    """A value or a ring angle, and the other."""

    given: str
    ring_deg: float
    kind: Kind
    doubt_deg: float
    value: Infinite = says("In m, T or mm.")
    low: Infinite
    high: Infinite
    or_past_infinity: bool = says("The ring may stand past infinity.")


class ConvertedPast(Answer):
    """A ring angle past infinity, which has no distance."""

    given: str
    ring_deg: float
    kind: Kind
    doubt_deg: float
    value: float | str
    past_infinity_deg: float
    guess_per_m: float = says("What 1/distance would be if the curve went straight on; 1/m.")


MarksConvert = RootModel[list[Converted | ConvertedPast]]


class MarksUpload(Answer):
    """Marks that a motor took."""

    axis: Place
    kind: Kind
    marks: int
    check: int
    saved: bool
    line_error_deg: float = says("Most that the motor's straight lines are off the curve.")


class HeldMark(Answer):
    """One mark of a motor."""

    ring_deg: float
    value: Infinite = says("In m, T or mm.")


class MarksRead(Answer):
    """The marks that a motor has in use."""

    axis: Place
    kind: Kind
    check: int
    marks: list[HeldMark]
    out: str | None = says("The file that was written.")


class MarksCheck(Answer):
    """Whether a motor holds just these marks."""

    axis: Place
    same: bool
    differences: list[str]


class Largest(Answer):
    """The largest of each over the range."""

    offset_deg: float
    residual_scale: float = says("In `scale`.")
    doubt_scale: float = says("In `scale`.")
    same_ring_scale: float = says("With both rings at one angle, in `scale`.")
    scale: str
    residual_circles: float = sometimes()
    doubt_circles: float = sometimes()
    same_ring_circles: float = sometimes()


class CurveRow(Answer):
    """One value of the range."""

    value: Infinite = says("In m, T or mm.")
    left_deg: float
    right_deg: float
    residual_value: Infinite = says("In m, T or mm.")
    residual_scale: float = says("In the scale of `largest`.")
    residual_circles: float = sometimes()
    doubt_circles: float = sometimes()


class PairCurve(Answer):
    """Two lenses as one."""

    names: list[str]
    kind: Kind
    largest: Largest
    curve: list[CurveRow]
    plot: str | None


class PairUpload(Answer):
    """Marks that both motors took."""

    kind: Kind
    axes: list[Place]
    line_error_deg: list[float]
    saved: bool


class PairMove(Answer):
    """Where the axes came to rest."""

    value: Infinite = says("In m, T or mm.")
    kind: Kind
    axes: list[Annotated[Arrived, Also()]]


class SkewPass(Answer):
    """One pass of the bench, and what its skew means."""

    skew_deg: float
    uncertainty_deg: float
    circles: float
    at_m: Infinite
    circles_far: float = says("At the other end of the range")


class PairSkew(Answer):
    """Skew on the move, in the picture."""

    lens: str
    passes: list[Annotated[SkewPass, Also(**{"pass": str})]]


class PairGeometry(Answer):
    """A two-camera rig. Parallax is a share of the picture's width."""

    toe_in_deg: float = says("Of each camera.")
    angle_between_deg: float
    near_m: float
    far_m: Infinite
    parallax_at_infinity_percent: float
    corner_vertical_percent: float
    clear: Literal[True] | None = says("The clearance table allows this place; null without one.")
    way: str | None = says("Which axis goes first.")
    plot: str | None
    greatest_interaxial_mm: float = sometimes("For the scene, with --scene.")
    screen_parallax_at_infinity_mm: float = sometimes("With --screen.")


Span = Annotated[tuple[float, float], says("From and to, deg of the ring.")]


class PlannedLimits(Answer):
    """Limits that a motor should have."""

    axis: Place
    role: str
    then: Span


class PairLimits(Answer):
    """Travel limits inside a clearance table."""

    table: str
    box: Annotated[Box, Also()]
    margin: Annotated[clearance.Place, Also()] = says("Left free on each side.")
    written: bool
    saved: bool
    axes: list[Annotated[Fenced, Also(now=Span, then=Span)] | PlannedLimits] = says("With --link what they are now.")
    not_covered: list[str]
    plot: str | None


class PairConverge(Answer):
    """Marks that the convergence axis took."""

    axis: Place
    marks: int
    line_error_deg: float
    saved: bool
    toe_in_at_nearest_deg: float
