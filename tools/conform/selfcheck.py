"""Does the suite catch broken motors, and leave healthy ones alone? The proof behind `ringlet conform --self-check`."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterable, Iterator
from typing import Final, NamedTuple

from ringlet.hwsim.bus import Bus
from ringlet.hwsim.can_bus import CanBus
from ringlet.hwsim.noise import Noise
from ringlet.hwsim.rigfile import load_rig
from ringlet.hwsim.serial_line import SerialLine
from ringlet.hwsim.simrig import SimRig
from ringlet.tools.conform.bed import MUTANTS, Bed, Mutant
from ringlet.tools.conform.run import FAIL, Report, meet, run
from ringlet.tools.conform.table import CHECKS, Check, chosen, load

BIT_ERRORS: Final = 1e-5


class Caught(NamedTuple):
    """What became of one mutant: the checks that failed, and the first problem of the one that names its rule."""

    mutant: Mutant
    by: tuple[str, ...]
    text: str
    ran: int
    """how many checks were run on it"""

    @property
    def ok(self) -> bool:
        """Caught by the check that names its rule."""
        return self.mutant.caught_by in self.by


def mutants() -> dict[str, Mutant]:
    """The whole table of broken motors."""
    from ringlet.tools.conform import (  # noqa: F401  (each fills the table)
        mutants_bus,
        mutants_motion,
        mutants_settings,
        mutants_states,
        mutants_wire,
    )

    load()
    return MUTANTS


def try_mutant(one: Mutant, rows: Iterable[Check] | None = None, seed: int = 0) -> Caught:
    """Run the check that names the rule, or these, on a rig with this fault."""
    load()
    picked = [CHECKS[one.caught_by]] if rows is None else list(rows)
    bed = _bed_for(CHECKS[one.caught_by], seed)
    probe, report, found = meet(bed.wire, bed.node.address, 0, 1)
    one.plant(bed)
    run(probe, report, found, picked, stops=True)
    failed = [result for result in report.results if result.outcome == FAIL]
    named = next((result for result in failed if result.check.id == one.caught_by), None)
    text = named.problems[0].text if named is not None else ""
    return Caught(one, tuple(result.check.id for result in failed), text, len(picked))


def _bed_for(rule: Check, seed: int) -> Bed:
    """An ideal rig; for a check of what a real wire carries, one board on a simulated wire of that sort."""
    if "wired" not in rule.needs:
        return Bed(seed)
    bus: Bus = CanBus(seed=seed) if "can" in rule.needs else SerialLine(seed=seed)
    return Bed(sim=SimRig(load_rig("single"), seed=seed, bus=bus))


def _noisy_bus(seed: int) -> CanBus:
    """A CAN bus of 500 kbit/s on which one bit in a hundred thousand is wrong (our choice)."""
    return CanBus(500_000, Noise(bit_errors=BIT_ERRORS), seed=seed)


def healthy(seed: int, rows: Iterable[Check], rig: str = "trio") -> Report:
    """Run checks on a healthy simulated device whose gears, ring and neighbours are chosen by the seed.

    A third of the seeds has a CAN bus with bit errors in the place of the ideal one.
    """
    rng = random.Random(f"healthy {seed}")
    bed = Bed(seed, rig) if seed % 3 != 1 else Bed(sim=SimRig(load_rig(rig), seed=seed, bus=_noisy_bus(seed)))
    node = rng.randrange(len(bed.rig.nodes))
    board = bed.rig.nodes[node]
    bed.wire.clock.sleep(rng.randrange(1, 400) / 1000)
    probe, report, found = meet(bed.wire, board.address, rng.randrange(len(board.axes)), rng.randrange(1, 14))
    return run(probe, report, found, rows, stops=True, find=True)


def healthy_runs(
    runs: int, *, gentle: bool = False, first: int = 0, only: list[str] | None = None,
    progress: Callable[[int, Report], None] | None = None,
) -> Iterator[tuple[int, Report]]:  # fmt: skip
    """(seed, report) of many healthy devices on rigs of one, two and four boards."""
    rows = chosen(only or [], gentle=gentle)
    for number in range(first, first + runs):
        rig = ("single", "trio", "pair")[number % 3]
        report = healthy(number, rows, rig)
        if progress is not None:
            progress(number, report)
        yield number, report
