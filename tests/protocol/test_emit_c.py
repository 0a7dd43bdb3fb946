"""Targets, stamps and writing; the C follows the tables, and a message added at run time arrives in it."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, NamedTuple

import pytest

from ringlet.protocol import codes, emit, emit_c, params
from ringlet.protocol.wire import I24, KINDS, U8, U16, Field, Registry, kind
from ringlet.tools.emit_files import EmitError
from ringlet.tools.emit_files import emit as write


def one_kind() -> Registry:
    """A private table with a message that Ringlet does not have."""
    kinds = Registry()

    @kind(0xE8, "tilt", priority=5, role="reply", sender="node", registry=kinds)
    class Tilt(NamedTuple):
        """How far the rig leans; invented for this test."""

        tag: Annotated[int, Field(U8, "Tag.")]
        angle: Annotated[
            int, Field(I24, "Angle of the rig.", "deg", "0.01", lo=-9000, hi=9000, reserved=((-8388608, "unknown"),))
        ]

    return kinds


@pytest.fixture
def added_kind() -> Iterator[str]:
    """A message added to the real table, and taken out again."""

    @kind(0xE8, "lean", priority=5, role="reply", sender="node")
    class Lean(NamedTuple):
        """How far the rig leans; invented for this test."""

        tag: Annotated[int, Field(U8, "Tag.")]
        angle: Annotated[int, Field(I24, "Angle of the rig.", "deg", "0.01", lo=-9000, hi=9000)]

    yield "lean"
    KINDS.remove("lean")


def test_a_new_message_arrives_in_c(added_kind: str) -> None:
    files = emit.texts("c")
    header, code = files["ringlet.h"], files["ringlet.c"]
    assert "lean: How far the rig leans; invented for this test." in header
    assert "RINGLET_KIND_LEAN = 0xe8" in header
    assert "#define RINGLET_SIZE_LEAN 4u" in header
    assert "    int32_t angle; /* Angle of the rig. (deg, RINGLET_CENTI_DEG) */\n} ringlet_msg_lean;" in header
    assert "#define RINGLET_CENTI_DEG(whole, part) ((int32_t)(whole) * 100 + (int32_t)(part))" in header
    assert "#define RINGLET_LEAN_ANGLE_MIN -9000" in header
    assert "m->angle < -9000 || m->angle > 9000" in code
    assert "case RINGLET_KIND_LEAN:" in code
    tables = files["ringlet_tables.c"]
    assert "{RINGLET_KIND_LEAN, 5, 4, 4, 0, 0, RINGLET_NO_EVENT,\n     RINGLET_K_ROLE_REPLY" in tables


def test_it_is_gone_when_it_is_taken_out() -> None:
    assert "LEAN" not in "".join(emit.texts("c").values())


def test_every_row_of_every_table_is_there() -> None:
    files = emit.texts("c")
    header, tables = files["ringlet.h"], files["ringlet_tables.h"]
    for row in KINDS:
        assert f"}} ringlet_msg_{emit_c.c_name(row.name)};" in header
        body = re.search(r"typedef struct \{\n([^}]*)\} ringlet_msg_" + emit_c.c_name(row.name) + ";", header)
        assert body
        fields = re.findall(r"^    u?int\d+_t (\w+)(?:\[\d+\])?;", body[1], re.MULTILINE)
        assert fields == [emit_c.c_name(spec.name) for spec in row.fields]
    for enum, rows in codes.ENUMS.items():
        for count, name, _ in rows:
            assert re.search(rf"    {emit_c.c_macro(enum, name)} = {count},? /\*", header), (enum, name)
    for param in params.PARAMETERS:
        assert f"{emit_c.c_macro('param', param.name)} = {param.id}" in tables


def test_names_that_c_or_cpp_keeps() -> None:
    assert emit_c.c_name("case") == "case_"
    assert emit_c.c_name("find-stops") == "find_stops"
    assert emit_c.c_name("co_yield") == "co_yield_"
    assert emit_c.c_name("29.97df") == "29_97df"


def test_two_rows_with_one_name_are_refused() -> None:
    kinds = one_kind()

    @kind(0xE9, "tilt!", priority=5, role="reply", sender="node", registry=kinds)
    class Tilt2(NamedTuple):
        """Its name reads the same in C but for a sign."""

        tag: Annotated[int, Field(U8, "Tag.")]

    @kind(0xEA, "tilt_", priority=5, role="reply", sender="node", registry=kinds)
    class Tilt3(NamedTuple):
        """And this one too."""

        tag: Annotated[int, Field(U8, "Tag.")]

    with pytest.raises(ValueError, match="RINGLET_KIND_TILT_"):
        emit.texts("c", kinds)


def test_comment_marks_in_a_text_do_no_harm() -> None:
    text = emit_c.comment("an end */ and a begin /* and " + "word " * 60)
    assert text.count("*/") == 1
    assert text.endswith(" */")
    assert text.count("/*") == 1
    assert max(map(len, text.splitlines())) <= 112


@pytest.mark.parametrize(
    ("unit", "scale", "name"),
    [("deg", "0.001", "RINGLET_MILLI_DEG"), ("deg/s2", "0.001", "RINGLET_MILLI_DEG_PER_S2"),
     ("%", "0.1", "RINGLET_DECI_PERCENT"),
     ("travel", "0.25", "RINGLET_X1_4_TRAVEL"), ("mm", "2.5", "RINGLET_X5_2_MM")],
)  # fmt: skip
def test_unit_macros(unit: str, scale: str, name: str) -> None:
    assert emit_c.unit_macro(unit, scale)[0] == name


@pytest.mark.parametrize("name", ["c", "vectors"])
def test_same_tables_same_bytes_in_another_process(name: str) -> None:
    """Also with another hash seed, so that no order depends on it."""
    line = f"import zlib, ringlet.protocol.emit as e; print(zlib.crc32(repr(e.texts({name!r})).encode()))"
    said = set()
    for seed in ("1", "2"):
        done = subprocess.run([sys.executable, "-c", line], env={**os.environ, "PYTHONHASHSEED": seed},
                              capture_output=True, text=True, check=True)  # fmt: skip
        said.add(done.stdout)
    assert len(said) == 1
    assert emit.texts(name) == emit.texts(name)


def test_jinja2_is_only_loaded_to_emit() -> None:
    line = ("import sys, ringlet.protocol.emit_c, ringlet.protocol.emit_vectors, ringlet.tools.emit_files;"
            "print('jinja2' in sys.modules)")  # fmt: skip
    done = subprocess.run([sys.executable, "-c", line], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"


def test_targets_are_found_and_named_once() -> None:
    found = emit.targets()
    assert {"c", "vectors"} <= set(found)
    assert all(target.doc for target in found.values())
    with pytest.raises(ValueError, match="'c' is there"):
        emit.target("c", doc="again")(lambda kinds: {})
    with pytest.raises(ValueError, match="'all' is there"):
        emit.target("all", doc="kept")(lambda kinds: {})


def test_stamp() -> None:
    text = emit.stamped(f"/* {emit.STAMP} */\nx\n")
    assert emit.VERSION in text
    assert emit.is_untouched(text)
    assert not emit.is_untouched(text + "y")
    assert not emit.is_untouched(text.replace(emit.VERSION, "9.9"))
    assert not emit.is_untouched("x\n")
    assert not emit.is_untouched(text + text)
    with pytest.raises(ValueError, match="exactly once"):
        emit.stamped("x")
    with pytest.raises(ValueError, match="exactly once"):
        emit.stamped(emit.STAMP * 2)


def test_write_and_write_again(tmp_path: Path) -> None:
    paths = write("c", tmp_path / "new" / "folder")
    assert sorted(path.name for path in paths) == sorted(emit_c.FILES)
    before = {path: path.stat().st_mtime_ns for path in paths}
    assert write("c", tmp_path / "new" / "folder") == paths
    assert {path: path.stat().st_mtime_ns for path in paths} == before  # nothing to do, nothing touched
    assert sorted(path.name for path in (tmp_path / "new" / "folder").iterdir()) == sorted(emit_c.FILES)


def test_an_older_untouched_file_is_replaced(tmp_path: Path) -> None:
    old = emit.stamped(f"/* {emit.STAMP} */\nan older version\n")
    (tmp_path / "ringlet.h").write_text(old)
    write("c", tmp_path)
    assert (tmp_path / "ringlet.h").read_text() == emit.texts("c")["ringlet.h"]


def test_a_file_changed_by_hand_is_kept(tmp_path: Path) -> None:
    write("c", tmp_path)
    path = tmp_path / "ringlet_tables.c"
    changed = path.read_text().replace("240000", "240001")
    assert changed != path.read_text()
    path.write_text(changed)
    (tmp_path / "ringlet.h").unlink()
    with pytest.raises(EmitError, match=r"ringlet_tables\.c was changed by hand.*--force"):
        write("c", tmp_path)
    assert path.read_text() == changed
    assert not (tmp_path / "ringlet.h").exists()  # all or nothing
    write("c", tmp_path, force=True)
    assert path.read_text() == emit.texts("c")["ringlet_tables.c"]


def test_all_targets_each_in_its_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    made = {name: emit.Target(name, "made up", lambda kinds: {"a.txt": f"{emit.STAMP}\n"}) for name in ("one", "two")}
    monkeypatch.setattr("ringlet.tools.emit_files.targets", lambda: made)
    monkeypatch.setattr(emit, "TARGETS", made)
    assert write("all", tmp_path) == [tmp_path / "one" / "a.txt", tmp_path / "two" / "a.txt"]
    assert (tmp_path / "two" / "a.txt").read_text().startswith("Ringlet protocol")


def test_bad_targets_and_folders(tmp_path: Path) -> None:
    with pytest.raises(EmitError, match=r"no target 'pascal'; choose one of: .*\bc\b.*, all\."):
        write("pascal", tmp_path)
    (tmp_path / "file").write_text("x")
    with pytest.raises(EmitError, match=r"Cannot write to .*file"):
        write("c", tmp_path / "file")
    (tmp_path / "held" / "ringlet.h").mkdir(parents=True)
    with pytest.raises(EmitError, match=r"Cannot write to .*ringlet\.h"):
        write("c", tmp_path / "held")


@pytest.mark.skipif(not Path("/proc/self").is_dir(), reason="needs a folder in which nobody may write")
def test_a_folder_where_nobody_may_write() -> None:
    with pytest.raises(EmitError, match=r"Cannot write to /proc/.*; choose another folder\."):
        write("c", Path("/proc/ringlet"))


def test_limits_in_c_follow_the_field() -> None:
    kinds = one_kind()
    text = emit.texts("c", kinds)["ringlet.c"]
    assert "if ((m->angle < -9000 || m->angle > 9000) && m->angle != -8388608) {" in text
    row = next(iter(kinds))
    assert emit_c.bad_when(row.fields[0]) == ""
    assert emit_c.literal(-(1 << 31), signed=True) == "(-2147483647 - 1)"

    @kind(0xE9, "plain", priority=5, role="reply", sender="node", registry=kinds)
    class Plain(NamedTuple):
        """All counts have a meaning."""

        tag: Annotated[int, Field(U8, "Tag.")]
        word: Annotated[int, Field(U16, "Word.")]

    assert "check_plain" not in emit.texts("c", kinds)["ringlet.c"]
