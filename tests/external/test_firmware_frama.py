"""The motor core, all but its ramp, under Frama-C's Eva analysis: no alarm for any message, reading or stored page.

Source: Frama-C's Eva plug-in (see test_c_frama.py). Each step (one kind of message with any bytes, a tick with any
readings, a power-up with any stored pages) starts from every state that satisfies the invariant in tests/c/fw_eva.c and
must end in one. No alarm means: no undefined behaviour that Eva knows (overflow, access out of bounds, uninitialised
read, bad shift) for any number of steps in any order, and the invariant holds. One axis, room for two kept answers and
two waiting announcements. The ramp may answer anything in its range; it is analysed apart (test_ramp_frama.py).
All of it takes some minutes: RINGLET_EVA=1 asks for it; otherwise one short part and one planted fault are run.
"""

from __future__ import annotations

import os
import re
import sys
from pathlib import Path

import pytest

from ringlet.hwsim.firmware_link import PROGRAM
from ringlet.protocol.wire import KINDS

sys.path.insert(0, str(Path(__file__).parents[1] / "c"))
import c_build
import fw_build
import ramp_lockstep

pytestmark = pytest.mark.skipif(c_build.have("frama-c") is not None, reason=c_build.have("frama-c") or "")

WHOLE = "RINGLET_EVA" in os.environ
LEVELS = "ringlet_node_hear:60,hear_request:40,ringlet_request_carry_out:30,handle:30,known:1000"
OPTIONS = ("-eva-precision", "1", "-eva-slevel", "10", "-eva-auto-loop-unroll", "100", "-eva-ilevel", "64",
           "-eva-slevel-function", LEVELS)  # fmt: skip
SMALL = "-I. -DRINGLET_AXES=1u -DRINGLET_ANSWERS=2u -DRINGLET_LATER=2u"
ROWS = {row.name: place for place, row in enumerate(KINDS)}
FIRST, LAST = min(ROWS, key=lambda name: ROWS[name]), max(ROWS, key=lambda name: ROWS[name])


def emit_into(folder: Path) -> None:
    fw_build.emit_firmware_into(folder)
    (folder / f"{PROGRAM}.c").unlink()


def analyse(folder: Path, start: str, first: str = "", last: str = "") -> str:
    """What Eva says about one function of the harness, over these kinds."""
    sources = sorted(path.name for path in folder.glob("*.c") if path.name not in ramp_lockstep.SOURCES)
    rows = f" -DFW_EVA_FIRST={ROWS[first]}u -DFW_EVA_LAST={ROWS[last or first]}u" if first else ""
    harness = (c_build.HERE / "fw_eva.c", c_build.HERE / "fw_eva_ramp.c")
    return c_build.eva(*OPTIONS, "-main", start, f"-cpp-extra-args={SMALL}{rows}", *harness, *sources, cwd=folder)


def doubts(said: str) -> int:
    """Alarms, and assertions of the harness that are not proved."""
    checked = re.search(r"Assertions\s+(\d+) valid\s+(\d+) unknown\s+(\d+) invalid", said)
    assert checked, said[-3000:]
    assert int(checked[1]) >= 10
    return c_build.alarms(said) + int(checked[2]) + int(checked[3])


PARTS = [
    ("strange", "", ""), ("power_up", "", ""), ("power_back", "", ""), ("tick", "", ""), ("known", FIRST, "take"),
    ("known", "yield", "parameter"), ("known", "save", "save"), ("known", "restore", "restore"),
    ("known", "open-marks", "commit-marks"), ("known", "get-marks", LAST),
]  # fmt: skip


def test_the_parts_leave_no_kind_out() -> None:
    covered = [row for start, first, last in PARTS if start == "known" for row in range(ROWS[first], ROWS[last] + 1)]
    assert covered == list(range(len(KINDS)))


@pytest.mark.parametrize(("start", "first", "last"), PARTS if WHOLE else PARTS[:1])
def test_no_alarm(tmp_path: Path, start: str, first: str, last: str) -> None:
    emit_into(tmp_path)
    said = analyse(tmp_path, start, first, last)
    assert doubts(said) == 0, re.findall(r"\[eva:alarm\].*\n.*", said)
    assert "100% of the logical properties reached have been proven" in said


# fault: (function of the harness that meets it, kind, right text, wrong text)
FAULTS = {
    "frames of any size are taken": (
        "known", "take", "frame->size > RINGLET_BODY_MAX) {\n        node->ignored++;",
        "frame->size > 255u) {\n        node->ignored++;"),
    "stored parameters are counted by their own word": (
        "power_up", "", "            held = (uint16_t)((count - 1u) / 5u);\n", ""),
    "news without end": ("tick", "", "if (axis->news_count < RINGLET_NEWS_MAX) {", "if (1) {"),
    "an offset without bound": (
        "tick", "", "before - axis->reading.position, -RINGLET_OFFSET_LIMIT, RINGLET_OFFSET_LIMIT)",
        "before - axis->reading.position, INT64_MIN, INT64_MAX)"),
    "a text that the axis has not": (
        "known", "get-text", "if (item >= RINGLET_NODE_TEXTS + RINGLET_AXIS_TEXTS || ", "if ("),
}  # fmt: skip


@pytest.mark.parametrize("fault", FAULTS if WHOLE else list(FAULTS)[-1:])
def test_a_planted_fault_alarms(tmp_path: Path, fault: str) -> None:
    emit_into(tmp_path)
    start, kind, good, bad = FAULTS[fault]
    places = [path for path in sorted(tmp_path.glob("*.c")) if good in path.read_text()]
    assert len(places) == 1
    text = places[0].read_text()
    assert text.count(good) == 1
    places[0].write_text(text.replace(good, bad))
    assert doubts(analyse(tmp_path, start, kind)) > 0
