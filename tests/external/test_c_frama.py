"""The emitted C under Frama-C's Eva analysis: no alarm for any input of its real size in any state.

Source: Frama-C's Eva plug-in (abstract interpretation; P. Cuoq et al., "Frama-C: A Software Analysis Perspective", SEFM
2012). An alarm is an operation that Eva cannot show to be defined: overflow, access out of bounds, uninitialised read,
bad shift, or one of the assertions in tests/c/eva.c. Planted faults show that it does alarm.
"""

from __future__ import annotations

import re
import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "c"))
import c_build

pytestmark = pytest.mark.skipif(c_build.have("frama-c") is not None, reason=c_build.have("frama-c") or "")


def analyse(folder: Path, start: str = "main") -> str:
    """What Eva says about the harness from one of its functions on."""
    sources = sorted(path.name for path in folder.glob("*.c"))
    return c_build.eva("-eva-precision", "4", "-main", start, c_build.HERE / "eva.c", *sources, cwd=folder)


def test_no_alarm(tmp_path: Path) -> None:
    sources = c_build.emit_into(tmp_path)
    said = analyse(tmp_path)
    assert c_build.alarms(said) == 0, re.findall(r"\[eva:alarm\].*\n.*", said)
    assert "100% of the logical properties reached have been proven" in said
    assert re.search(r"Assertions\s+9 valid\s+0 unknown\s+0 invalid", said)
    # every function that the header offers was analysed with values, not skipped
    functions = re.search(r"(\d+) functions analyzed \(out of (\d+)\): 100% coverage", said)
    defined = sum(len(re.findall(r"^(?!typedef)\w[\w *]+\(", (tmp_path / name).read_text(), re.M)) for name in sources)
    assert functions
    assert int(functions[1]) == int(functions[2]) > defined


# fault: (function of the harness that meets it, file, right text, wrong text)
FAULTS = {
    "decoder holds too much": ("decoding", "ringlet_serial.c", "->used < RINGLET_FRAME_MAX - 1u", "->used < 16u"),
    "short frames are taken": ("decoding", "ringlet_serial.c", "(count < RINGLET_PAYLOAD_MIN)", "(count < 1u)"),
    "COBS writes without limit": ("framing", "ringlet_serial.c", "data[to++] = 0u;", "data[to++ + left] = 0u;"),
    "oversized frames are encoded": ("framing", "ringlet_serial.c", " || frame->size > RINGLET_BODY_MAX", ""),
    "a body is read past its end": ("bodies", "ringlet.c", "if (size < 8u) {", "if (size < 7u) {"),
    "a field is forgotten": ("bodies", "ringlet.c", "    m->tag = body[0];\n", ""),
    "sign taken by overflow": (
        "bodies", "ringlet.c", "-(int32_t)((sign - 1u) - (v & (sign - 1u))) - 1", "(int32_t)(v - sign - sign)"),
    "a table is searched past its end": (
        "tables", "ringlet_tables.c", "i < RINGLET_PARAM_ROWS", "i <= RINGLET_PARAM_ROWS"),
}  # fmt: skip


@pytest.mark.parametrize("fault", FAULTS)
def test_a_planted_fault_alarms(tmp_path: Path, fault: str) -> None:
    c_build.emit_into(tmp_path)
    start, name, good, bad = FAULTS[fault]
    text = (tmp_path / name).read_text()
    assert good in text
    (tmp_path / name).write_text(text.replace(good, bad, 1))
    assert c_build.alarms(analyse(tmp_path, start)) > 0
