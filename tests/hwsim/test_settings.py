"""Storage: what a save keeps, two copies, power cuts at every byte, broken copies, files."""

from __future__ import annotations

from pathlib import Path

import pytest
from helpers import Bench
from hypothesis import given
from hypothesis import strategies as st

from ringlet.hwsim.settings import FilePages, MemoryPages, PowerCut, Settings, Store
from ringlet.protocol import messages as m
from ringlet.protocol.codes import Fault, Flag, Refusal
from ringlet.protocol.items import marks_check
from ringlet.protocol.params import PARAMETERS

OLD, NEW = {"parameters": {"role": 1}}, {"parameters": {"role": 2, "stall-time": 99}}
OLDER = {"parameters": {"role": 5}}


def pages_of(bench: Bench) -> MemoryPages:
    pages = bench.axis.store.pages
    assert isinstance(pages, MemoryPages)
    return pages


def test_settings_hold_the_table_and_drop_what_it_does_not_allow() -> None:
    settings = Settings("axis", {"role": 3})
    assert set(settings.values) == {row.name for row in PARAMETERS if row.scope == "axis"}
    assert settings["role"] == 3
    settings.load({"role": 4, "stall-time": 10, "address": 20, "no-such": 1, "velocity-limit": "fast"})
    assert settings["role"] == 4
    assert settings["stall-time"] == 300  # below its range
    assert "address" not in settings.values
    assert settings["velocity-limit"] == 240_000
    assert "telemetry-rate" not in settings.stored_part()


def saved(*contents: dict[str, object]) -> MemoryPages:
    pages = MemoryPages()
    for content in contents:
        Store(pages).save(content)
    return pages


@pytest.mark.parametrize("before", [(OLD,), (OLDER, OLD), (OLD, OLDER, OLD)])
def test_a_cut_at_any_byte_gives_the_old_or_the_new(before: tuple[dict[str, object], ...]) -> None:
    whole = saved(*before, NEW)
    size = max(len(page) for page in whole.pages)
    seen = []
    for offset in range(size + 1):
        pages = saved(*before)
        pages.cut_after = offset
        with pytest.raises(PowerCut):
            Store(pages).save(NEW)
        content, broken = Store(pages).load()
        assert content in (OLD, NEW), offset
        assert not broken
        seen.append(content)
        Store(pages).save(OLDER)  # and storing goes on
        assert Store(pages).load() == (OLDER, False)
    assert seen[0] == OLD
    assert seen[-1] == NEW
    assert seen.count(NEW) < 10  # only when all of it was written


@given(st.binary(max_size=80), st.binary(max_size=80))
def test_any_bytes_in_the_pages_are_no_harm(a: bytes, b: bytes) -> None:
    pages = MemoryPages()
    pages.pages = [a, b]
    content, broken = Store(pages).load()
    assert content is None
    assert broken == bool(a or b)
    Store(pages).save(NEW)
    assert Store(pages).load() == (NEW, False)


def test_each_flipped_bit_is_found() -> None:
    pages = saved(OLD)
    whole = pages.pages[0]
    for bit in range(8 * len(whole)):
        data = bytearray(whole)
        data[bit >> 3] ^= 1 << (bit & 7)
        pages.pages = [bytes(data), b""]
        assert Store(pages).load() == (None, True)


def test_files(tmp_path: Path) -> None:
    folder = tmp_path / "new" / "store"
    for content in (OLD, NEW, OLDER):
        Store(FilePages(folder, "axis0")).save(content)
        assert Store(FilePages(folder, "axis0")).load() == (content, False)
    assert sorted(path.name for path in folder.iterdir()) == ["axis0.a", "axis0.b"]
    (folder / "axis0.a").write_bytes((folder / "axis0.a").read_bytes()[:-1])
    assert Store(FilePages(folder, "axis0")).load() == (NEW, False)
    (folder / "axis0.b").write_bytes(b"")
    assert Store(FilePages(folder, "axis0")).load() == (None, True)


# --- through a node --------------------------------------------------------------------------------------------------


def test_save_power_cycle_restore() -> None:
    bench = Bench()
    table = [(0, 500), (40_000, 0xFFFFFF)]
    bench.set("role", 2)
    bench.set("telemetry-rate", 50)
    bench.do(m.OpenMarks(0, 1, 2))
    for index, mark in enumerate(table):
        bench.do(m.PutMark(0, index, *mark))
    bench.do(m.CommitMarks(0, marks_check(table)))
    assert bench.status().flags >> Flag.UNSAVED & 1
    bench.do(m.Save(0))
    assert not bench.status().flags >> Flag.UNSAVED & 1
    bench.set("role", 3)
    bench.set("stall-time", 777)
    bench.rig.power_cycle()
    assert bench.get("role") == 2
    assert bench.get("stall-time") == 300
    assert bench.get("telemetry-rate") == 0  # not a stored one
    assert bench.ask(m.GetMarks(0)) == m.Marks(bench.tag, 1, 2, marks_check(table))
    bench.set("role", 4)
    bench.do(m.Restore(0, 0))
    assert bench.get("role") == 2
    bench.do(m.Restore(0, 1))
    assert bench.get("role") == 1  # the rig file's
    assert bench.ask(m.GetMarks(0)).count == 0
    bench.do(m.Restore(0, 0))
    assert bench.get("role") == 2  # what was stored stayed
    assert bench.ask(m.GetMarks(0)) == m.Marks(bench.tag, 1, 2, marks_check(table))


def test_a_power_cut_during_a_save_restarts_the_board_with_old_or_new() -> None:
    size = 0
    results = []
    for offset in (0, 1, 11, 12, 13, 200, 10_000):
        bench = Bench()
        bench.set("role", 2)
        bench.do(m.Save(0))
        size = len(pages_of(bench).pages[0])
        bench.set("role", 3)
        pages_of(bench).cut_after = offset
        assert bench.ask(m.Save(0)) is None  # the board lost its supply
        results.append(bench.get("role"))
        assert bench.axis.latched == set()
    assert results == [2] * 6 + [3]
    assert size < 10_000


def test_settings_lost_is_noted_and_does_not_stop_the_work() -> None:
    bench = Bench()
    bench.set("role", 2)
    bench.do(m.Save(0))
    bench.do(m.Save(0))
    pages = pages_of(bench)
    pages.pages = [page[:-1] for page in pages.pages]
    bench.rig.power_cycle()
    said = bench.step(2)
    assert [one.body.fault for one in said if isinstance(one.body, m.FaultEvent)] == [Fault.SETTINGS_LOST]
    assert bench.get("role") == 1
    assert bench.status().fault == Fault.SETTINGS_LOST
    bench.do(m.Take(0, 0))
    bench.do(m.Hold(0))
    bench.do(m.ClearFault(0))
    assert bench.status().fault == 0
    bench.do(m.Save(0))
    bench.rig.power_cycle()
    assert bench.axis.latched == set()


def test_settings_of_the_node_lost_is_noted_on_its_axes() -> None:
    bench = Bench("trio")
    bench.do(m.Save(0), None)
    pages = bench.node.store.pages
    assert isinstance(pages, MemoryPages)
    pages.pages = [b"x", b"y"]
    bench.rig.power_cycle()
    assert all(axis.latched == {Fault.SETTINGS_LOST} for axis in bench.axes)


def test_a_store_that_cannot_be_written(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way")
    bench = Bench(store=tmp_path / "file")
    assert bench.no(m.Save(0)) == (Refusal.STORAGE_FAILED, 0)


def test_a_rig_keeps_its_settings_in_a_folder(tmp_path: Path) -> None:
    bench = Bench("pair", store=tmp_path)
    bench.set("role", 2, 1)
    bench.do(m.Save(0), 1)
    again = Bench("pair", store=tmp_path)
    assert again.get("role", 1) == 2
    assert again.get("role", 0) == 1
