"""The firmware target: its files, what they take from the tables, and that a new row of a table arrives in them."""

from __future__ import annotations

import re
import zlib
from collections.abc import Iterator
from typing import Annotated, Any, NamedTuple

import pytest

from ringlet.protocol import codes, params
from ringlet.protocol.behaviour import BEHAVIOUR
from ringlet.protocol.emit import is_untouched, texts
from ringlet.protocol.emit_c import FILES, c_macro
from ringlet.protocol.emit_firmware import ALONE, CORE, CRC32, OPTIONAL, _crc32_table, no_choice
from ringlet.protocol.messages import Tag
from ringlet.protocol.wire import KINDS, U8, Field, kind

PARTS = [f"ringlet_{part}.{end}" for part in (*CORE, *OPTIONAL) for end in "hc"]


@pytest.fixture(scope="module")
def files() -> dict[str, str]:
    return texts("firmware")


def test_it_is_the_codec_the_core_and_what_builds_them(files: dict[str, str]) -> None:
    assert set(files) == {*FILES, *PARTS, *ALONE}
    codec = texts("c")
    assert {name: files[name] for name in FILES} == codec
    assert texts("firmware") == files  # the same tables give the same bytes
    assert all(map(is_untouched, files.values()))


def test_every_header_opens_with_what_it_is_needs_and_owns(files: dict[str, str]) -> None:
    for name in [*(part for part in PARTS if part.endswith(".h")), "ringlet_board.h"]:
        head = files[name][:2500]
        for words in ("What it is", "What it      ", "needs", "Who owns", "0BSD"):
            assert words in head, (name, words)


def test_the_makefile_builds_every_source(files: dict[str, str]) -> None:
    core = re.search(r"^CORE = (.*)$", files["Makefile"], re.MULTILINE)
    assert core
    optional = {f"ringlet_{part}.c" for part in OPTIONAL}
    sources = {name for name in files if name.endswith(".c")} - {"ringlet_host.c"} - optional
    assert set(core[1].split()) == sources
    for name in optional:
        assert f"{name.removesuffix('.c')}.host.o" in files["Makefile"]
    assert f"-DRINGLET_ANSWERS={BEHAVIOUR['answers-kept'].value}u" in files["Makefile"]


def test_cautions_stand_where_a_person_begins(files: dict[str, str]) -> None:
    for name in ("README.md", "ringlet_node.h", "ringlet_board.h", "ringlet_loop.h"):
        assert "gears pinch fingers" in files[name]
        assert "not an emergency stop" in " ".join(files[name].replace("*", " ").split())


def test_places_follow_the_parameter_table(files: dict[str, str]) -> None:
    for letter, scope in (("A", "axis"), ("N", "node")):
        rows = [row for row in params.PARAMETERS if row.scope == scope]
        found = re.findall(rf"^    RINGLET_{letter}_(\w+) = (\d+)", files["ringlet_rules.h"], re.MULTILINE)
        assert found == [(row.name.upper().replace("-", "_"), str(place)) for place, row in enumerate(rows)]
        listed = re.search(rf"ringlet_{scope}_rows\[\w+\] = {{ ([0-9, ]+) }}", files["ringlet_rules.c"])
        assert listed
        assert [params.PARAMETERS[int(one)] for one in listed[1].split(",")] == rows


def test_numbers_follow_the_table_of_behaviour(files: dict[str, str]) -> None:
    for name, number in BEHAVIOUR.items():
        line = rf"^#define {c_macro('b', name)} (?:UINT64_C\()?(\w+)\)?$"
        found = re.search(line, files["ringlet_rules.h"], re.MULTILINE)
        assert found, name
        assert int(found[1], 0) == number.value


def test_the_store_uses_the_crc_of_zlib() -> None:
    table, crc = _crc32_table(), 0xFFFFFFFF
    for byte in b"123456789":
        for part in (byte, byte >> 4):
            crc = crc >> 4 ^ table[(crc ^ part) & 0xF]
    assert crc ^ 0xFFFFFFFF == zlib.crc32(b"123456789") == 0xCBF43926
    assert table[8] == CRC32


def test_choices_are_those_of_the_enumerations(monkeypatch: pytest.MonkeyPatch, files: dict[str, str]) -> None:
    choices = {
        (row.name, spec.name) for row in KINDS for spec in row.fields if spec.field.values and row.sender == "control"
    }
    assert len(choices) == len(re.findall(r"^ {12}return \d+u;$", files["ringlet_rules.c"], re.MULTILINE))
    rate = next(spec for spec in KINDS.by_name["timecode"].fields if spec.name == "rate")
    assert no_choice(rate) == f"m->rate > {len(codes.names('rate')) - 1}u"
    monkeypatch.setitem(codes.ENUMS, "rate", ((0, "a", "a"), (5, "b", "b")))
    assert no_choice(rate) == "m->rate != 0u && m->rate != 5u"


@pytest.fixture
def blink() -> Iterator[type[Any]]:
    class Blink(NamedTuple):
        """Blink the node's light."""

        tag: Tag
        lit: Annotated[int, Field(U8, "On or off.", values="onoff")]

    # Annotations made in a function are text that get_type_hints cannot look up.
    Blink.__annotations__ |= {"tag": Tag, "lit": Annotated[int, Field(U8, "On or off.", values="onoff")]}
    yield kind(0x6B, "blink", priority=6, role="request", scope="node", reply="done")(Blink)
    KINDS.remove("blink")


def test_a_new_kind_arrives(blink: type[Any]) -> None:
    files = texts("firmware")
    assert "case RINGLET_KIND_BLINK:" in files["ringlet_rules.c"]
    assert "message->body.blink.lit > 1u" in files["ringlet_rules.c"]
    assert "RINGLET_KIND_BLINK" in files["ringlet_tables.c"]
