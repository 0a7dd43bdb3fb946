"""A way through time for what a simulation invents: a subject that walks, an operator's hand that turns a knob."""

from __future__ import annotations

from itertools import pairwise
from typing import Annotated, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

Number = Annotated[float, Field(allow_inf_nan=False)]


class Course(BaseModel):
    """Points in time, joined so that each is begun and left at rest."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)

    points: Annotated[list[Annotated[list[Number], Field(min_length=2, max_length=2)]], Field(min_length=1)]
    """[seconds, value] each, in rising time from 0 s"""
    again: bool = False
    """starts over after the last point; otherwise it stays there"""

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        times = [time for time, _ in self.points]
        if times[0] != 0.0 or any(later <= earlier for earlier, later in pairwise(times)):
            raise ValueError("the points of a course begin at 0.0 s and each comes later than the one before")
        return self

    def moment(self, time_s: float) -> float:
        """The time on the course, s: from 0 to its length."""
        length = self.points[-1][0]
        if self.again and length > 0:
            return max(0.0, time_s) % length
        return min(max(0.0, time_s), length)

    def at(self, time_s: float) -> float:
        """The value at a time, in the unit of the points."""
        moment = self.moment(time_s)
        for (begin, low), (end, high) in pairwise(self.points):
            if moment < end:
                share = (moment - begin) / (end - begin)
                return low + (high - low) * share * share * (3.0 - 2.0 * share)
        return self.points[-1][1]
