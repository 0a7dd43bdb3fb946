"""A take in memory: a column for each quantity of each axis. 8 bytes a number, about 30 MB for an axis and an hour.

Replay and pictures need all of it; an export holds only what its present frames need.
"""

from __future__ import annotations

from array import array
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from ringlet.tools.takes.layout import Sample
from ringlet.tools.takes.reader import Take

Array = NDArray[np.float64]

QUANTITIES: Final = ("ring_deg", "velocity_deg_s", "setpoint_deg", "current_a")


@dataclass
class AxisColumns:
    """All samples of one axis, in rising time."""

    time_s: Array
    numbers: dict[str, Array]
    """by the names in QUANTITIES"""
    words: dict[str, NDArray[np.object_]]
    """state, fault, owner"""


@dataclass
class Growing:
    """Samples of one axis as they come in."""

    time_s: array[float] = field(default_factory=lambda: array("d"))
    numbers: dict[str, array[float]] = field(default_factory=lambda: {name: array("d") for name in QUANTITIES})
    words: list[tuple[str, str, int]] = field(default_factory=list)

    def add(self, sample: Sample, shared: dict[Any, Any]) -> None:
        """The next sample; one that is not later than the last is left out. `shared` keeps words that come again."""
        if self.time_s and sample.time_s <= self.time_s[-1]:
            return
        self.time_s.append(sample.time_s)
        for name, column in self.numbers.items():
            column.append(getattr(sample, name))
        words = (sample.state, sample.fault, sample.owner)
        self.words.append(shared.setdefault(words, words))  # one object for all samples that say the same

    def forget(self, many: int) -> None:
        """Drop so many of the first samples."""
        if many > 0:
            del self.time_s[:many], self.words[:many]
            for column in self.numbers.values():
                del column[:many]

    def done(self) -> AxisColumns:
        """What is held now, as columns."""
        words = np.empty((len(self.words), 3), dtype=object)
        if self.words:
            words[:] = self.words
        return AxisColumns(
            np.array(self.time_s), {name: np.array(column) for name, column in self.numbers.items()},
            {name: words[:, place] for place, name in enumerate(("state", "fault", "owner"))},
        )  # fmt: skip


def columns(take: Take) -> dict[str, AxisColumns]:
    """Each axis, by NODE.AXIS. An axis without samples is left out."""
    growing = {key: Growing() for key in take.axes}
    shared: dict[Any, Any] = {}
    for key, sample in take.read():
        growing[key].add(sample, shared)
    return {key: one.done() for key, one in growing.items() if one.time_s}
