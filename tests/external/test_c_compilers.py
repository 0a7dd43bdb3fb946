"""The emitted C under other people's compilers and checkers: gcc, clang, g++, clang++, cppcheck, arm-none-eabi-gcc.

Each test says which program is the outside source; one that is not installed is skipped by name.
"""

from __future__ import annotations

import ctypes
import re
import sys
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from ringlet.protocol import emit_c
from ringlet.protocol.codes import FAULTS, TIMING, Refusal
from ringlet.protocol.emit import texts
from ringlet.protocol.header import Header
from ringlet.protocol.params import PARAMETERS
from ringlet.protocol.states import STATES, TABLE, State
from ringlet.protocol.wire import KINDS

sys.path.insert(0, str(Path(__file__).parents[1] / "c"))
import c_build
import sizes

CPPCHECK = ("cppcheck", "--std=c99", "--enable=all", "--suppress=missingIncludeSystem", "--suppress=unusedFunction",
            "--error-exitcode=1", "-q")  # fmt: skip


def needs(*programs: str) -> Any:
    reason = c_build.have(*programs)
    return pytest.mark.skipif(reason is not None, reason=reason or "")


@pytest.mark.parametrize("small", [(), ("-DRINGLET_CRC_SMALL",)], ids=["table", "small-table"])
@pytest.mark.parametrize("level", ["-O0", "-O2"])
@pytest.mark.parametrize(
    "compiler",
    [
        pytest.param(("gcc", "-std=c99"), marks=needs("gcc")),
        pytest.param(("clang", "-std=c99"), marks=needs("clang")),
        pytest.param(("g++", "-x", "c++", "-std=c++11"), marks=needs("g++")),
        pytest.param(("clang++", "-x", "c++", "-std=c++11"), marks=needs("clang++")),
    ],
    ids=lambda command: command[0],
)
def test_compiles_without_a_word(tmp_path: Path, compiler: tuple[str, ...], level: str, small: tuple[str, ...]) -> None:
    sources = c_build.emit_into(tmp_path)
    c_build.build(*compiler, *c_build.STRICT, level, *small, "-c", *sources, cwd=tmp_path)


@needs("gcc")
def test_the_strict_flags_do_find_a_fault(tmp_path: Path) -> None:
    sources = c_build.emit_into(tmp_path)
    path = tmp_path / "ringlet.c"
    text = path.read_text()
    assert "b[0] = (uint8_t)(v & 0xFFu);" in text
    path.write_text(text.replace("b[0] = (uint8_t)(v & 0xFFu);", "b[0] = v;"))
    done = c_build.run("gcc", "-std=c99", *c_build.STRICT, "-c", *sources, cwd=tmp_path)
    assert done.returncode != 0
    assert b"-Werror=conversion" in done.stderr


@needs("clang")
def test_an_int_of_16_bits_is_wide_enough(tmp_path: Path) -> None:
    """For a small processor too: clang for the MSP430 finds no word to say, and no shift that needs a check at run time
    (its sanitizer puts one in wherever a signed shift may overflow)."""
    if b"msp430" not in c_build.run("clang", "--print-targets", cwd=tmp_path).stdout:
        pytest.skip("this clang has no target msp430")
    target = ("clang", "--target=msp430", "-std=c99", "-ffreestanding")
    sources = c_build.emit_into(tmp_path)
    c_build.build(*target, *c_build.STRICT, "-fsyntax-only", *sources, cwd=tmp_path)

    def checks(text: str) -> int:
        (tmp_path / "one.c").write_text(text)
        shifts = (*target, "-O1", "-fsanitize=shift", "-S", "-emit-llvm", "one.c", "-o", "-")
        done = c_build.run(*shifts, cwd=tmp_path)
        assert done.returncode == 0, done.stderr
        return done.stdout.count(b"call void @__ubsan_handle_shift")

    for source in sources:
        text = (tmp_path / source).read_text()
        assert checks(text) == 0, source
        if str(source).endswith("ringlet.c"):
            assert "(uint16_t)b[1] << 8" in text
            assert checks(text.replace("(uint16_t)b[1] << 8", "b[1] << 8")) > 0


@needs("cppcheck")
def test_cppcheck_finds_nothing(tmp_path: Path) -> None:
    sources = c_build.emit_into(tmp_path)
    c_build.build(*CPPCHECK, *sources, cwd=tmp_path)


@needs("cppcheck")
def test_cppcheck_finds_a_planted_fault(tmp_path: Path) -> None:
    sources = c_build.emit_into(tmp_path)
    path = tmp_path / "ringlet_serial.c"
    text = path.read_text()
    assert "uint8_t code = 0;" in text
    path.write_text(text.replace("uint8_t code = 0;", "uint8_t code;"))
    done = c_build.run(*CPPCHECK, *sources, cwd=tmp_path)
    assert done.returncode == 1
    assert b"uninit" in done.stderr


def test_no_heap_no_floats_no_library() -> None:
    """What the header promises, looked for in the text: only the two standard headers, no float types, no calls out."""
    files = texts("c")
    code = {name: re.sub(r"/\*.*?\*/", "", text, flags=re.DOTALL) for name, text in files.items()}
    included = {word for text in code.values() for word in re.findall(r"#include (\S+)", text)}
    assert included == {"<stddef.h>", "<stdint.h>", '"ringlet.h"', '"ringlet_serial.h"', '"ringlet_tables.h"'}
    for name, text in code.items():
        assert not re.search(r"\b(float|double|malloc|calloc|free|memcpy|__attribute__|pragma|packed)\b", text), name
        assert not re.search(r"\b\d+\.\d", text), name


@needs("gcc")
def test_only_its_own_symbols_are_called(tmp_path: Path) -> None:
    """The linker's view (GNU nm): nothing undefined but the codec itself, and no writable data."""
    sources = c_build.emit_into(tmp_path)
    c_build.build("gcc", "-std=c99", "-O2", "-c", *sources, cwd=tmp_path)
    done = c_build.run("nm", *(name.replace(".c", ".o") for name in sources), cwd=tmp_path)
    symbols = re.findall(r"^\s*[0-9a-f]*\s+([A-Za-z]) (\w+)$", done.stdout.decode(), re.MULTILINE)
    assert len(symbols) > 2 * len(KINDS)
    called = {name for sort, name in symbols if sort == "U"} - {"memcpy", "memset"}  # gcc makes these of loops
    assert all(name.startswith("ringlet_") for name in called)
    assert not [name for sort, name in symbols if sort in "bBdDC"]


@needs("arm-none-eabi-gcc", "arm-none-eabi-size")
def test_sizes_on_a_small_processor() -> None:
    """Bounds on the flash and RAM that sizes.py prints: a codec of this kind must fit the smallest parts."""
    found = sizes.measure()
    print(sizes.table(found))
    assert 0 < found["ringlet.o"].flash < 8192
    assert 0 < found["ringlet_serial.o, small CRC table"].flash < found["ringlet_serial.o"].flash < 2048
    assert 0 < found["ringlet_tables.o"].flash < 4096
    assert all(row.ram == 0 for row in found.values())
    assert found["a node that knows one request"].flash < 1024
    assert sizes.structs() == {"ringlet_decoder": 17, "ringlet_frame": 16, "ringlet_header": 5, "ringlet_message": 32}


@needs("gcc")
def test_tables_are_the_tables(tmp_path: Path) -> None:
    """Look-ups in C give the rows of Python's tables, for every key."""
    library = c_build.Library(tmp_path)

    class ParamRow(ctypes.Structure):
        _fields_ = [(name, ctypes.c_uint8) for name in ("id", "write", "stored", "scope")] + [
            (name, ctypes.c_int32) for name in ("lo", "hi", "start")]  # fmt: skip

    class TransitionRow(ctypes.Structure):
        _fields_ = [(name, ctypes.c_uint8) for name in ("event", "next", "calibrated")] + [("states", ctypes.c_uint16)]

    class KindRow(ctypes.Structure):
        _fields_ = [(name, ctypes.c_uint8) for name in
                    ("code", "priority", "size", "min_size", "broadcast", "reply", "event", "role", "sender", "scope",
                     "owner")]  # fmt: skip

    for name, row_type in (("param", ParamRow), ("transition", TransitionRow), ("kind", KindRow)):
        getattr(library.c, f"ringlet_{name}_find").restype = ctypes.POINTER(row_type)
    header = (tmp_path / "ringlet_tables.h").read_text()
    words = {name: int(value) for name, value in re.findall(r"(RINGLET_[A-Z]_\w+) = (\d+)", header)}
    events = {name: int(value) for name, value in re.findall(r"RINGLET_EVENT_(\w+) = (\d+)", header)}
    params = {row.id: row for row in PARAMETERS}
    for number in range(256):
        found = library.c.ringlet_param_find(number)
        assert bool(found) == (number in params)
        if found:
            row, param = found.contents, params[number]
            assert (row.lo, row.hi, row.start, row.stored) == (param.lo, param.hi, param.default, param.stored)
            assert row.write == words[f"RINGLET_P_WRITE_{param.write.upper()}"]
        found = library.c.ringlet_kind_find(number)
        assert bool(found) == (number in KINDS.by_code)
        if found:
            row, kind = found.contents, KINDS.by_code[number]
            assert (row.priority, row.size, row.min_size, row.broadcast) == (
                kind.priority, kind.size, kind.min_size, kind.broadcast)  # fmt: skip
            assert row.reply == (KINDS.by_name[kind.reply].code if kind.reply else 0)
            owner = (kind.owner or "none").upper().replace("-", "_")
            assert row.owner == words[f"RINGLET_K_OWNER_{owner}"]
            assert row.event == events.get(kind.name.upper().replace("-", "_"), 255)
    fault_rows = ((ctypes.c_uint8 * 2) * len(FAULTS)).in_dll(library.c, "ringlet_faults")
    reactions = {int(fault): words[f"RINGLET_F_REACTION_{rule.reaction.upper()}"] for fault, rule in FAULTS.items()}
    assert dict(map(tuple, fault_rows)) == reactions
    assert [int(state) for state in STATES] == list(range(len(STATES)))  # the C table is indexed by state
    state_rows = ((ctypes.c_uint8 * 3) * len(STATES)).in_dll(library.c, "ringlet_states")
    torque = {row.name: row.id for row in PARAMETERS} | {"": 0}
    expected_rows = [[rule.drive, rule.still, torque[rule.torque]] for rule in STATES.values()]
    assert [list(row) for row in state_rows] == expected_rows
    assert len(events) == len({event for event, _ in TABLE})
    for name, event in events.items():
        for state in range(256):
            found = library.c.ringlet_transition_find(event, state)
            expected = TABLE.get((name.lower().replace("_", "-"), State(state))) if state < len(State) else None
            assert bool(found) == (expected is not None), (name, state)
            if expected:
                assert found.contents.next == (255 if expected.to is None else expected.to)
                assert found.contents.calibrated == expected.calibrated


def claims() -> list[str]:
    """Constant expressions in C that must hold, worked out from the tables."""
    held = []
    for spec in {(spec.field.unit, spec.field.scale): spec for row in KINDS for spec in row.fields}.values():
        unit, scale = spec.field.unit, spec.field.scale
        if unit and scale != "1":
            name, per = emit_c.unit_macro(unit, scale)[0], int(1 / Decimal(scale))
            held += [f"{name}(12, 3) == {12 * per + 3}", f"{name}(-12, -3) == {-12 * per - 3}"]
            held += [f"{name}_WHOLE({-12 * per - 3}) == -12", f"{name}_PART({-12 * per - 3}) == -3"]
    for row in KINDS:
        name = emit_c.c_macro(row.name).removeprefix("RINGLET_")
        ident = Header(row.priority, row.code, 16, 1, 3).pack()
        held += [f"RINGLET_IDENT({name}, 16, 1, 3) == {ident}u", f"RINGLET_SIZE_{name} == {row.size}u"]
        held += [f"RINGLET_IDENT_KIND({ident}u) == {row.code}", f"RINGLET_IDENT_PRIORITY({ident}u) == {row.priority}"]
        for spec in row.fields:
            macro = emit_c.c_macro(row.name, spec.name)
            held += [f"{macro}_MIN == {spec.field.lo}"] if spec.field.lo is not None else []
            held += [f"{macro}_MAX == {spec.field.hi}"] if spec.field.hi is not None else []
            for part in spec.field.parts:
                held.append(
                    f"{emit_c.c_macro(row.name, spec.name, part.name)} == {((1 << part.width) - 1) << part.shift}u"
                )
    ident = Header(5, 0x41, 1, 99, 7).pack()
    held += [
        f"RINGLET_IDENT_DST({ident}u) == 1",
        f"RINGLET_IDENT_SRC({ident}u) == 99",
        f"RINGLET_IDENT_AXIS({ident}u) == 7",
    ]
    held += [f"({ident}u & RINGLET_MASK_SRC) == 99u << RINGLET_SHIFT_SRC"]
    held += [f"RINGLET_REFUSAL_{code.name} == {int(code)}" for code in Refusal]
    held += ["RINGLET_IS_RANGE(RINGLET_RESULT_RANGE + 2)", "RINGLET_BAD_FIELD(RINGLET_RESULT_RANGE + 2) == 2"]
    return [*held, "!RINGLET_IS_RANGE(RINGLET_OK)", f"RINGLET_MS_REPLY == {TIMING['reply'].ms}"]


@needs("gcc")
def test_macros_and_constants(tmp_path: Path) -> None:
    """Checked by the compiler: an array of negative size is an error."""
    c_build.emit_into(tmp_path)
    held = claims()
    assert len(held) > 5 * len(KINDS)
    lines = [f"typedef char claim_{number}[({claim}) ? 1 : -1];" for number, claim in enumerate(held)]
    (tmp_path / "claims.c").write_text('#include "ringlet.h"\n' + "\n".join(lines) + "\n")
    c_build.build("gcc", "-std=c99", *c_build.STRICT, "-c", "claims.c", cwd=tmp_path)
    (tmp_path / "claims.c").write_text(
        '#include "ringlet.h"\ntypedef char claim[(RINGLET_SIZE_MOVE == 7u) ? 1 : -1];\n'
    )
    assert c_build.run("gcc", "-std=c99", "-c", "claims.c", cwd=tmp_path).returncode != 0
