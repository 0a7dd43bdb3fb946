"""The motor core in C under other people's compilers and checkers, and against the simulated node in lock step.

Outside sources: gcc, clang, g++, clang++, cppcheck, GNU nm, arm-none-eabi-gcc, AddressSanitizer and
UndefinedBehaviorSanitizer. The long form of the comparison is `tests/c/fw_lockstep.py`.
"""

from __future__ import annotations

import re
import shutil
import sys
from pathlib import Path
from typing import Any

import pytest

from ringlet.hwsim import axis as axis_module
from ringlet.hwsim import finding, node, watch
from ringlet.protocol.behaviour import BEHAVIOUR
from ringlet.protocol.emit import texts
from ringlet.protocol.emit_firmware import CORE

sys.path.insert(0, str(Path(__file__).parents[1] / "c"))
import c_build
import fw_build
from fw_lockstep import Difference, Twins
from fw_traffic import Traffic

FLOAT = re.compile(r"\b(float|double|malloc|calloc|free|__attribute__|pragma|packed)\b|\b\d+\.\d")


def needs(*programs: str) -> Any:
    reason = c_build.have(*programs)
    return pytest.mark.skipif(reason is not None, reason=reason or "")


pytestmark = needs("make", "cc")


@pytest.fixture(scope="module")
def sanitized(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The host program with both sanitizers: whatever they find ends it."""
    folder = tmp_path_factory.mktemp("sanitized")
    fw_build.build_host(folder, sanitized=True)
    return folder


@pytest.fixture(scope="module")
def plain(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The host program built without optimisation, with its objects, to be built again with a fault in it."""
    folder = tmp_path_factory.mktemp("plain")
    fw_build.emit_firmware_into(folder)
    c_build.build("make", "-s", "CFLAGS=-O0", cwd=folder)
    return folder


@pytest.mark.parametrize(
    "compiler",
    [
        pytest.param(("gcc", "-std=c99"), marks=needs("gcc")),
        pytest.param(("clang", "-std=c99"), marks=needs("clang")),
        pytest.param(("clang++", "-x", "c++", "-std=c++11"), marks=needs("clang++")),
    ],
    ids=lambda command: command[0],
)
def test_the_core_compiles_without_a_word(tmp_path: Path, compiler: tuple[str, ...]) -> None:
    fw_build.emit_firmware_into(tmp_path)
    sources = [f"ringlet_{part}.c" for part in CORE]
    c_build.build(*compiler, *c_build.STRICT, "-O1", "-c", *sources, cwd=tmp_path)


@needs("cppcheck")
def test_cppcheck_finds_nothing_in_the_core(tmp_path: Path) -> None:
    fw_build.emit_firmware_into(tmp_path)
    flags = ("--std=c99", "--enable=all", "--suppress=missingIncludeSystem", "--suppress=unusedFunction",
             "--error-exitcode=1", "-q")  # fmt: skip
    numbers = ("plan", "ramp")
    sources = [f"ringlet_{part}.c" for part in CORE if part not in numbers]
    c_build.build("cppcheck", *flags, *sources, cwd=tmp_path)
    flags = ("--std=c99", "--enable=warning,performance,portability", "--error-exitcode=1", "-q")
    c_build.build("cppcheck", *flags, *(f"ringlet_{part}.c" for part in numbers), cwd=tmp_path)


def test_the_core_has_no_heap_no_floats_no_library() -> None:
    files = texts("firmware")
    for part in CORE:
        for end in "hc":
            code = re.sub(r"/\*.*?\*/", "", files[f"ringlet_{part}.{end}"], flags=re.DOTALL)
            assert not FLOAT.search(code), part
            included = set(re.findall(r"#include <(\S+)>", code))
            assert included <= {"stdint.h", "stddef.h"}, part


@needs("gcc", "nm")
def test_the_core_keeps_nothing_and_calls_nobody(plain: Path) -> None:
    """The linker's view: no writable data in the core, and nothing undefined but its own functions."""
    objects = [f"ringlet_{part}.host.o" for part in CORE]
    symbols = c_build.symbols(objects, plain)
    assert len(symbols) > 100
    called = {name for sort, name in symbols if sort == "U"} - {"memcpy", "memset", "_GLOBAL_OFFSET_TABLE_"}
    assert all(name.startswith("ringlet_") for name in called), called
    assert not [name for sort, name in symbols if sort in "bBdDC"]


@needs("arm-none-eabi-gcc", "arm-none-eabi-size")
def test_sizes_are_printed_and_bounded(tmp_path: Path) -> None:
    """Flash and RAM on a Cortex-M0+ by GNU size: the smallest usual parts with 64 KiB and 8 KiB hold it."""
    fw_build.emit_firmware_into(tmp_path)
    flash, data, zeroed, node = c_build.sizes("sizes", "TOTALS", "ringlet_node", tmp_path)
    assert 20_000 < flash < 40_000
    assert (data, zeroed) == (0, 0)
    assert 2_000 < node < 6_000


def test_numbers_are_those_of_the_simulated_node() -> None:
    """Numbers of behaviour that stand in hwsim too, until it takes them from the table."""
    value = {name: number.value for name, number in BEHAVIOUR.items()}
    assert value["contact"] == finding.CONTACT_MS
    assert 1 / value["slow-part"] == finding.SLOW_SHARE
    assert value["standing"] == watch.STANDING_MDEG_S
    assert value["derate-band"] == axis_module.DERATE_BAND
    assert value["travel-counts"] == axis_module.TRAVEL_COUNTS
    assert value["answers-kept"] == node.SAID_MOST


@pytest.mark.parametrize(
    ("rig", "physics", "ticks", "seed"),
    [("single", False, 100_000, 11), ("trio", False, 25_000, 14), ("single", True, 15_000, 13)],
    ids=["one axis", "three axes", "physics"],
)
def test_c_and_python_do_the_same(sanitized: Path, rig: str, physics: bool, ticks: int, seed: int) -> None:
    """Frames, setpoints to the last unit, and states, in every tick, over random traffic; sanitizers watch."""
    twins = Twins(sanitized, rig=rig, seed=seed, physics=physics)
    try:
        twins.run(ticks, Traffic(seed))
    finally:
        twins.close()
    assert twins.ticks == ticks
    assert twins.frames > ticks // 100
    if ticks >= 100_000:
        assert len(twins.states) == 8, twins.states  # all but `starting`, which lasts no tick


# fault: (flavour of the traffic that meets it, file, right text, wrong text)
FAULTS = {
    "velocity not cut before calibration": (
        "mixed", "ringlet_events.c", "calibrated(axis) ? RINGLET_A_VELOCITY_LIMIT : RINGLET_A_FINDING_SPEED",
        "calibrated(axis) ? RINGLET_A_VELOCITY_LIMIT : RINGLET_A_VELOCITY_LIMIT"),
    "travel limit off by one count": (
        "moves", "ringlet_events.c", "if (position > travel_high(axis)) {", "if (position >= travel_high(axis)) {"),
    "tag not echoed": (
        "mixed", "ringlet_request.h", "m.tag = r->tag;\n    m.of = r->kind;", "m.tag = 0u;\n    m.of = r->kind;"),
    "owner never lost": ("owners", "ringlet_events.c", "axis->owner_left == 0)", "axis->owner_left < 0)"),
    "marks taken without their check": (
        "uploads", "ringlet_items.c", "ringlet_items_check(&items->new_marks) != m->check", "m->check == 0"),
    "free after a fault": (
        "moves", "ringlet_events.c", "ramp_down(axis, RINGLET_AFTER_FAULT);", "ramp_down(axis, RINGLET_AFTER_HOLD);"),
    "repeats done again": (
        "mixed", "ringlet_node.c", "node->now - kept->at <= RINGLET_MS_REPEAT * RINGLET_US_PER_MS", "node->now == 0u"),
    "share rounded down": (
        "moves", "ringlet_events.c", "(length * share + RINGLET_B_TRAVEL_COUNTS / 2)", "(length * share)"),
    "older copy read back": (
        "settings", "ringlet_store.c", "first.serial > second.serial", "first.serial < second.serial"),
    "stop passed over while finding": (
        "travel", "ringlet_tables.c", "{RINGLET_EVENT_STOP, RINGLET_STATE_STOPPING, 0, 0xf8u}",
        "{RINGLET_EVENT_STOP, RINGLET_STATE_STOPPING, 0, 0x78u}"),
}  # fmt: skip


@pytest.mark.parametrize("fault", FAULTS)
def test_a_planted_fault_is_a_difference(plain: Path, tmp_path: Path, fault: str) -> None:
    folder = tmp_path / "faulty"
    shutil.copytree(plain, folder)
    flavour, name, good, bad = FAULTS[fault]
    text = (folder / name).read_text()
    assert text.count(good) == 1
    (folder / name).write_text(text.replace(good, bad))
    c_build.build("make", "-s", "CFLAGS=-O0", cwd=folder)
    with pytest.raises(Difference):
        many_runs(folder, flavour)


def many_runs(folder: Path, flavour: str) -> None:
    for seed in range(20, 28):
        twins = Twins(folder, seed=seed)
        try:
            twins.run(10_000, Traffic(seed, only=flavour, trouble_per_s=2.0))
        finally:
            twins.close()
