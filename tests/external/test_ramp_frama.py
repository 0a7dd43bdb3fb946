"""The emitted C ramp under Frama-C's Eva analysis: no alarm for any state that fits the limits, with any call.

Source: Frama-C's Eva plug-in (see test_c_frama.py). Eva keeps a range for each number and does not know how two hang
together, so that it is asked for given limits: FACTORY here; SLOW and WEAKEST (the longest ramps let in) by
hand (python tests/external/test_ramp_frama.py). For motors of 1500 deg/s it cannot exclude overflow in hold * level;
there UBSan watches (test_ramp_c.py). Planted faults alarm; the first of them was in the code until Eva found it.
"""

from __future__ import annotations

import re
import sys
from pathlib import Path

import pytest

from ringlet.protocol.params import PARAMETERS

sys.path.insert(0, str(Path(__file__).parents[1] / "c"))
import c_build
import ramp_lockstep

pytestmark = pytest.mark.skipif(c_build.have("frama-c") is not None, reason=c_build.have("frama-c") or "")

START = {row.name: row.default for row in PARAMETERS}
FACTORY = (*(START[f"{name}-limit"] for name in ("velocity", "acceleration", "deceleration")),
           1000 * START["jerk-limit"])  # fmt: skip
SLOW = (500, 1000, 700, 20_000)
WEAKEST = (3_600_000, 61_000, 61_000, 1_100)


def analyse(folder: Path, start: str, limits: tuple[int, ...] = FACTORY) -> str:
    """What Eva says of the harness from one of its functions on."""
    numbers = ", ".join(str(limit) for limit in limits)
    (folder / "eva_limits.h").write_text(f"#define EVA_LIMITS {{{numbers}}}\n")
    options = ("-eva-precision", "1", "-eva-auto-loop-unroll", "80")
    return c_build.eva(*options, "-main", start, c_build.HERE / "ramp_eva.c", cwd=folder)


def no_alarm(folder: Path, limits: tuple[int, ...]) -> None:
    for start in ("plans", "ticks", "commands"):
        said = analyse(folder, start, limits)
        assert c_build.alarms(said) == 0, re.findall(r"\[eva:alarm\].*\n.*", said)
        assert "100% of the logical properties reached have been proven" in said
        assert re.search(r"Assertions\s+[23] valid\s+0 unknown\s+0 invalid", said)


def test_no_alarm(tmp_path: Path) -> None:
    ramp_lockstep.emit_ramp(tmp_path)
    no_alarm(tmp_path, FACTORY)


# fault: (function of the harness that meets it, right text, wrong text)
FAULTS = {
    "the rate is used before it is checked": (
        "commands", "    int64_t square, cube;\n",
        "    int64_t square = (int64_t)rate * rate;\n    int64_t cube = square * rate;\n"),
    "a place is not checked": (
        "commands", "    if (!is_place(target)) {", "    if (0) {"),
    "division by a level of zero": ("plans", "if (level <= 0) {", "if (level < 0) {"),
    "a hold without bound": (
        "plans", "brake.plan.hold = higher(0, lower(brake.plan.hold, 2 * LONGEST + 1));", ""),
}  # fmt: skip


@pytest.mark.parametrize("fault", FAULTS)
def test_a_planted_fault_alarms(tmp_path: Path, fault: str) -> None:
    ramp_lockstep.emit_ramp(tmp_path)
    start, good, bad = FAULTS[fault]
    ramp_lockstep.plant(tmp_path, good, bad)
    assert c_build.alarms(analyse(tmp_path, start)) > 0


if __name__ == "__main__":  # by hand: the other limits
    import tempfile

    with tempfile.TemporaryDirectory() as name:
        ramp_lockstep.emit_ramp(Path(name))
        for one in (FACTORY, SLOW, WEAKEST):
            no_alarm(Path(name), one)
            print(f"no alarm: {one}", flush=True)
