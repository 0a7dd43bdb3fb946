"""The position and velocity loop in C under other people's compilers and checkers.

Outside sources: gcc, clang, clang++, cppcheck, GNU nm, arm-none-eabi-gcc and Frama-C's Eva (see
tests/external/test_c_frama.py). Eva starts each call from every state that tests/c/loop_eva.c describes, with any
arguments, and each call must end in such a state: so no number of calls in any order overflows.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest
from loop_in_c import c_build, fw_build

from ringlet.protocol.emit import texts
from ringlet.protocol.emit_firmware import OPTIONAL

SOURCE = "ringlet_loop.c"


def needs(*programs: str) -> Any:
    reason = c_build.have(*programs)
    return pytest.mark.skipif(reason is not None, reason=reason or "")


@pytest.mark.parametrize(
    "compiler",
    [
        pytest.param(("gcc", "-std=c99"), marks=needs("gcc")),
        pytest.param(("clang", "-std=c99"), marks=needs("clang")),
        pytest.param(("clang++", "-x", "c++", "-std=c++11"), marks=needs("clang++")),
    ],
    ids=lambda command: command[0],
)
def test_the_loop_compiles_without_a_word(tmp_path: Path, compiler: tuple[str, ...]) -> None:
    fw_build.emit_firmware_into(tmp_path)
    c_build.build(*compiler, *c_build.STRICT, "-O1", "-c", SOURCE, cwd=tmp_path)


@needs("cppcheck")
def test_cppcheck_finds_nothing(tmp_path: Path) -> None:
    fw_build.emit_firmware_into(tmp_path)
    flags = ("--std=c99", "--enable=all", "--suppress=missingIncludeSystem", "--suppress=unusedFunction",
             "--error-exitcode=1", "-q")  # fmt: skip
    c_build.build("cppcheck", *flags, SOURCE, cwd=tmp_path)


def test_whole_numbers_only_and_nothing_of_a_library() -> None:
    files = texts("firmware")
    assert OPTIONAL == ("loop",)
    for end in "hc":
        code = re.sub(r"/\*.*?\*/", "", files[f"ringlet_loop.{end}"], flags=re.DOTALL)
        assert not re.search(r"\b(float|double|malloc|calloc|free|for|while|goto)\b|\b\d+\.\d", code)
        needed = ["ringlet_board.h"] if end == "h" else ["ringlet_loop.h", "ringlet_whole.h"]
        assert re.findall(r'#include "(\S+)"', code) == needed
        assert "#include <" not in code


@needs("gcc", "nm")
def test_it_keeps_nothing_and_calls_nobody(tmp_path: Path) -> None:
    fw_build.emit_firmware_into(tmp_path)
    c_build.build("gcc", "-std=c99", *c_build.STRICT, "-O2", "-c", SOURCE, cwd=tmp_path)
    symbols = c_build.symbols(["ringlet_loop.o"], tmp_path)
    offered = set(re.findall(r"^\w[\w ]* \*?(ringlet_loop_\w+)\(", texts("firmware")["ringlet_loop.h"], re.MULTILINE))
    assert {name for sort, name in symbols if sort == "T"} == offered
    assert len(offered) == 9
    assert {name for sort, name in symbols if sort == "U"} <= {"memcpy", "memset"}
    assert not [name for sort, name in symbols if sort in "bBdDC"]


@needs("make", "arm-none-eabi-gcc", "arm-none-eabi-size")
def test_sizes_are_printed_and_bounded(tmp_path: Path) -> None:
    """Flash and RAM on a Cortex-M0+ by GNU size, without the compiler's own 64-bit division."""
    fw_build.emit_firmware_into(tmp_path)
    flash, data, zeroed, loop = c_build.sizes("loop-sizes", "ringlet_loop", "ringlet_loop", tmp_path)
    assert 3_000 < flash < 8_000
    assert (data, zeroed) == (0, 0)
    assert 100 < loop < 300


# --- Eva -------------------------------------------------------------------------------------------------------------


def analyse(folder: Path, start: str = "main") -> str:
    """What Eva says about the harness from one of its functions on."""
    return c_build.eva("-eva-precision", "4", "-main", start, c_build.HERE / "loop_eva.c", SOURCE, cwd=folder)


def doubts(said: str) -> int:
    """Alarms, and assertions of the harness that are not proved."""
    checked = re.search(r"Assertions\s+(\d+) valid\s+(\d+) unknown\s+(\d+) invalid", said)
    assert checked, said[-3000:]
    return c_build.alarms(said) + int(checked[2]) + int(checked[3])


@needs("frama-c")
def test_eva_finds_no_alarm_for_any_state_and_arguments(tmp_path: Path) -> None:
    fw_build.emit_firmware_into(tmp_path)
    said = analyse(tmp_path)
    assert doubts(said) == 0, re.findall(r"\[eva:alarm\].*\n.*", said)
    assert "100% of the logical properties reached have been proven" in said
    asserted = (c_build.HERE / "loop_eva.c").read_text().count("/*@ assert")
    assert asserted > 20
    assert re.search(rf"Assertions\s+{asserted} valid\s+0 unknown\s+0 invalid", said)
    functions = re.search(r"(\d+) functions analyzed \(out of (\d+)\)", said)
    assert functions
    assert int(functions[2]) - int(functions[1]) <= 3  # of ringlet_whole.h the loop needs two
    assert re.search(r"(\d+) statements reached \(out of \1\): 100% coverage", said)


# fault: (function of the harness that meets it, right text, wrong text)
FAULTS = {
    "a speed error is not cut": (
        "control", "- loop->velocity, -LAG_MOST, LAG_MOST)", "- loop->velocity, -SPEED_MOST, SPEED_MOST)"),
    "counts grow without end": (
        "sense", "limited(loop->total + by, -COUNTS_MOST, COUNTS_MOST);", "loop->total + by;"),
    "a gear may have no teeth": ("configure", "limited(s->ring_teeth, 8, 2000)", "limited(s->ring_teeth, 0, 2000)"),
    "the supply may be zero": ("tell", "limited(loop->measured.supply, 1, ", "limited(loop->measured.supply, 0, "),
    "heat is not cut": ("sense", "limited(current * current * t->resistance / 1000, 0, HEAT_MOST)",
                        "(current * current * t->resistance / 1000)"),
    "a field is forgotten": ("init", "    loop->scale = loop->next;\n    loop->torque", "    loop->torque"),
    "a figure may have any size": ("derive", "!in(f->rotor_inertia, 10, 5000000)", "f->rotor_inertia < 10"),
}  # fmt: skip


@needs("frama-c")
@pytest.mark.parametrize("fault", FAULTS)
def test_a_planted_fault_alarms(tmp_path: Path, fault: str) -> None:
    fw_build.emit_firmware_into(tmp_path)
    start, good, bad = FAULTS[fault]
    text = (tmp_path / SOURCE).read_text()
    assert text.count(good) == 1
    (tmp_path / SOURCE).write_text(text.replace(good, bad))
    assert doubts(analyse(tmp_path, start)) > 0
