"""Checks that switch the device's supply: by themselves on a simulated rig, with a person's help on a real one."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

from ringlet.protocol import messages as m
from ringlet.protocol.codes import Flag, Refusal
from ringlet.protocol.header import EVERYONE, unpack_header
from ringlet.protocol.params import BY_NAME, PARAMETERS
from ringlet.protocol.states import State
from ringlet.tools.conform.probe import Broken, Probe, Skip, state_name
from ringlet.tools.conform.table import check

PLACE: Final = "states-of-an-axis"
SETTINGS: Final = "save-0x53"


def _power_cycle(p: Probe) -> None:
    rig = p.wire.rig
    if rig is not None:
        rig.power_cycle()
        p.hear(0.15)
        return
    if p.room.ask_power is None:
        raise Skip("nobody is there to switch the supply (run without --yes on a terminal, or on a simulated rig)")
    p.room.ask_power()
    p.hear(0.5)
    if p.ask(m.Identify(0)) is None:
        raise Broken("after the supply was switched the node does not answer at its address")


@check("POWER-01", PLACE, "After power-up the drive is off, nobody owns the axis, nothing is staged and the position "
    "is not "
       "known.", "State survives in memory that is not cleared.", needs="power store")  # fmt: skip
def power_up(p: Probe) -> None:
    here = p.position()
    with p.owned():
        p.set("travel-min", here - 1000)
        p.set("travel-max", here + 1000)
        p.must(m.SetReference(0, here))
        p.must(m.Stage(0, here, 0))
        p.forget()
        _power_cycle(p)
        status = p.status()
        p.check(status.state == State.RELEASED, f"after power-up the axis is {state_name(status.state)}")
        p.check(status.owner == 0, f"after power-up control {status.owner} owns the axis")
        p.check(not status.flags >> Flag.CALIBRATED & 1, "after power-up the position is taken for known")
        p.check(not status.flags >> Flag.STAGED & 1, "after power-up a move is staged")
        p.cast(m.Sync(0))
        p.hear(0.05)
        p.check(p.state() == State.RELEASED, "after power-up a sync started something")
        p.take()


@check("POWER-02", SETTINGS, "What was saved is in force after power-up; what was not saved is lost.",
       "The stored block is not read, or written at each set.", needs="power store")  # fmt: skip
def kept(p: Probe) -> None:
    saved, lost = "stall-time", "finding-speed"
    before = {name: p.get(name) for name in (saved, lost, "telemetry-rate")}
    p.set(saved, before[saved] + 3)
    p.must(m.Save(0))
    p.set(lost, before[lost] + 1)
    _power_cycle(p)
    try:
        p.check(p.get(saved) == before[saved] + 3, f"{saved} was saved as {before[saved] + 3} and reads {p.get(saved)}")
        p.check(p.get(lost) == before[lost], f"{lost} was not saved and reads {p.get(lost)}, not {before[lost]}")
    finally:
        p.ask(m.Set(0, BY_NAME[saved].id, before[saved]))
        p.ask(m.Save(0))


@check("POWER-03", "announce-0x71", "On CAN a node announces itself at power-up, from its address.",
       "The announcement is sent before the bus is up.", needs="power speaks sim")  # fmt: skip
def announced(p: Probe) -> None:
    first = len(p.trace)
    _power_cycle(p)
    came = [one for one in p.trace[first:] if not one.sent and unpack_header(one.ident).src == p.node
            and unpack_header(one.ident).dst == EVERYONE and isinstance(p.body(one), m.Announce)]  # fmt: skip
    p.check(len(came) == 1, f"after power-up the node announced itself {len(came)} times")


@check("POWER-04", SETTINGS, "A power cut at any moment of a save leaves the old settings or the new ones, never a "
    "mix.",
       "One copy is written in place.", needs="power sim store")  # fmt: skip
def cut(p: Probe) -> None:
    rig = p.wire.rig
    cutter = getattr(rig, "cut_while_saving", None)
    pages = _pages(p) if cutter is None else None
    if cutter is None and pages is None:
        raise Skip("this rig has no way to cut the supply while a page is written")
    rows = [row for row in PARAMETERS if row.scope == "axis" and row.stored and row.name in
            ("velocity-limit", "stall-time", "finding-speed", "following-limit", "owner-timeout")]  # fmt: skip
    before = {row.name: p.get(row.name) for row in rows}
    try:
        p.must(m.Save(0))
        for number, after in enumerate((0, 1, 5, 12, 13, 40, 200, 400)):
            old = {row.name: p.get(row.name) for row in rows}
            new = {name: value + 1 + number % 2 for name, value in before.items()}
            for name, value in new.items():
                p.ask(m.Set(0, BY_NAME[name].id, value))
            if pages is not None:
                pages.cut_after = after
                p.answers(*p.build(m.Save(0)))  # none comes: not asked again
            else:
                assert cutter is not None
                p.cast(m.Save(0))
                cutter(p.node, after)
            p.hear(0.15)
            got = {row.name: p.get(row.name) for row in rows}
            whole = got in (old, new)
            p.check(whole, f"a cut after {after} bytes left {got}; old were {old}, new {new}")
            p.check(p.status().fault == 0, f"a cut after {after} bytes left fault {p.status().fault}")
            p.must(m.Save(0))
    finally:
        if pages is not None:
            pages.cut_after = None
        for name, value in before.items():
            p.ask(m.Set(0, BY_NAME[name].id, value))
        p.ask(m.Save(0))


@check("POWER-05", SETTINGS, "A save that the memory does not take is refused with `storage-failed`: what is in force "
       "and what was stored stay.", "The result of the write is not looked at.", needs="sim store")  # fmt: skip
def not_written(p: Probe) -> None:
    def fails(page: int, data: bytes) -> None:
        raise OSError("the memory is worn out")

    pages, name = _pages(p), "stall-time"
    if pages is None:
        raise Skip("this rig has no memory that can be made to fail")
    p.remember(name)
    before = p.get(name)
    p.must(m.Save(0))
    try:
        p.set(name, before + 1)
        pages.write = fails
        p.no(m.Save(0), Refusal.STORAGE_FAILED, 0, "to a memory that takes nothing")
        p.check(p.flag(Flag.UNSAVED), "nothing was stored and the flag `unsaved` is not set")
        p.check(p.get(name) == before + 1, f"a failed save changed {name} to {p.get(name)}")
        p.must(m.Restore(0, 0))
        p.check(p.get(name) == before, f"{name} was stored as {before} and reads {p.get(name)} after a failed save")
    finally:
        vars(pages).pop("write", None)
    p.must(m.Save(0))


def _pages(p: Probe) -> Any:
    """The simulated memory of the axis, where it can break a write off."""
    rig = p.wire.rig
    if rig is None:
        return None
    board = next((node for node in rig.nodes if node.address == p.node), None)
    pages: Any = None
    if board is not None and isinstance(getattr(board, "pages", None), Sequence):
        # Of a core in C: the node's own, then those of its axes.
        pages = board.pages[1 + p.axis]
    elif board is not None:
        pages = board.axes[p.axis].store.pages
    return pages if hasattr(pages, "cut_after") else None


