"""Commands for settings: get, set, save, restore; and who owns an axis, and clearing faults."""

from __future__ import annotations

from contextlib import suppress
from typing import Annotated, Any

import typer

from ringlet.tools import cli_common as common
from ringlet.tools.cli_common import AxisOption, ForceOption, JsonOption, LinkOption, NodeOption, SourceOption
from ringlet.tools.errors import CheckFailed, DeviceRefused, UsageProblem

SavedAxisOption = Annotated[
    int | None,
    typer.Option("--axis", min=0, max=7, help="Only this axis; default: the whole node.", rich_help_panel=common.BUS),
]


def _rows(names: list[str]) -> list[Any]:
    """Rows of the parameter table by name. Raises UsageProblem for a name that is not in it."""
    from difflib import get_close_matches

    from ringlet.protocol.params import BY_NAME, PARAMETERS

    if not names or names == ["all"]:
        return list(PARAMETERS)
    for name in names:
        if name not in BY_NAME:
            near = get_close_matches(name, BY_NAME, 3)
            hint = f"did you mean {' or '.join(near)}? " if near else ""
            raise UsageProblem(f"there is no parameter {name!r}; {hint}`ringlet schema parameters` lists them.")
    return [BY_NAME[name] for name in names]


def _place(row: Any, axis: int) -> int:
    from ringlet.protocol.header import ALL_AXES

    return axis if row.scope == "axis" else ALL_AXES


def _show(entries: list[tuple[Any, int]], node: int, axis: int, as_json: bool) -> None:
    from ringlet.protocol import physical
    from ringlet.tools import show

    if as_json:
        common.emit(
            {
                "node": node,
                "axis": axis,
                "parameters": {row.name: physical.show_parameter(row, count) for row, count in entries},
                "units": {row.name: row.unit for row, _ in entries if row.unit},
            }
        )
        return
    grid = show.table("parameter", "value", "default", "lowest", "highest", "", title=f"Axis {axis} of node {node}",
                      right=("value", "default", "lowest", "highest"))  # fmt: skip

    def text(row: Any, count: int) -> str:
        return f"{physical.show_parameter(row, count)} {row.unit}".rstrip()

    for row, count in entries:
        mark = "" if count == row.default else "not the default"
        ends = ("-", "-") if row.values else (text(row, row.lo), text(row, row.hi))
        grid.add_row(row.name, text(row, count), text(row, row.default), *ends, mark)
    common.console().print(grid)


def get(
    names: Annotated[list[str] | None, typer.Argument(metavar="[NAME...|all]", help="Parameters; none is all.")] = None,
    link: LinkOption = None,
    node: NodeOption = None,
    axis: AxisOption = None,
    source: SourceOption = 1,
    as_json: JsonOption = False,
) -> None:
    """Read parameters.

    Examples: ringlet get --link sim:single; ringlet get velocity-limit jerk-limit --axis 1
    """
    from ringlet.protocol.messages import Get

    rows = _rows(names or [])
    with common.open_link(link, source) as bus:
        handle = common.one_axis(bus, node, axis)
        place = handle.axis
        found = [
            (row, bus.request(Get(0, row.id), node=handle.node, axis=_place(row, place)).value) for row in rows
        ]
        _show(found, handle.node, place, as_json)


def set_(
    pairs: Annotated[list[str], typer.Argument(metavar="NAME=VALUE...", help="Values in the parameter's unit.")],
    link: LinkOption = None,
    node: NodeOption = None,
    axis: AxisOption = None,
    save: Annotated[
        bool, typer.Option("--save", help="Store all settings of the axis afterwards; after one of the node, all.")
    ] = False,
    source: SourceOption = 1,
    as_json: JsonOption = False,
) -> None:
    """Write parameters. All values are checked before the first is sent; lost at power-off unless saved.

    `address` and `shared-line` belong to the node; an address is taken at the next power-up.

    Examples: ringlet set velocity-limit=90 --link sim:single; ringlet set role=focus stall-time=0.25 --save
    """
    from ringlet.protocol import messages
    from ringlet.protocol.header import ALL_AXES
    from ringlet.protocol.physical import read_parameter

    wanted: dict[str, str] = {}
    for pair in pairs:
        name, equals, value = pair.partition("=")
        if not equals or name.startswith("-"):
            raise UsageProblem(f"{pair!r} is no setting; write NAME=VALUE, as in velocity-limit=90.")
        if name in wanted:
            raise UsageProblem(f"the parameter {name!r} is given twice; give it once.")
        wanted[name] = value
    rows = _rows(list(wanted))
    counts = [(row, read_parameter(row, value)) for row, value in zip(rows, wanted.values(), strict=True)]
    with common.open_link(link, source) as bus:
        handle = common.one_axis(bus, node, axis)
        known = _travel_known(handle)
        found = []
        for row, count in counts:
            place = _place(row, handle.axis)
            try:
                found.append((row, bus.request(messages.Set(0, row.id, count), node=handle.node, axis=place).value))
            except DeviceRefused:
                if found:
                    common.note(f"In force already, and not stored: {', '.join(done.name for done, _ in found)}.")
                raise
        if known and not _travel_known(handle):
            common.note(f"The travel of axis {handle.axis} is not known any more; find the end stops again.")
        if "address" in wanted:
            common.note(f"The new address is taken at the next power-up{'' if save else ', once it is saved'}.")
        if save:  # what belongs to the node is stored only with everything on it
            whole = any(row.scope == "node" for row, _ in counts)
            (bus.axis(handle.node, ALL_AXES) if whole else handle).save()
        _show(found, handle.node, handle.axis, as_json)


def _travel_known(handle: Any) -> bool:
    from ringlet.protocol.codes import Flag

    return bool(handle.status().flags >> Flag.CALIBRATED & 1)


def save(
    link: LinkOption = None,
    node: NodeOption = None,
    axis: SavedAxisOption = None,
    source: SourceOption = 1,
    as_json: JsonOption = False,
) -> None:
    """Store settings, marks and texts, so that they outlast a power cut: of the whole node, its address too.

    With --axis only those of that axis, and nothing of the node.

    Examples: ringlet save --link 'serial:/dev/ttyUSB0?baud=115200'; ringlet save --node 16 --axis 1
    """
    from ringlet.protocol.header import ALL_AXES

    with common.open_link(link, source) as bus:
        handle = bus.axis(common.one_node(bus, node), ALL_AXES) if axis is None else common.one_axis(bus, node, axis)
        handle.save()
        if as_json:
            common.emit({"node": handle.node, "axis": handle.axis, "saved": True})
        elif axis is None:
            typer.echo(f"Settings are stored: all axes of node {handle.node}, and its own ({_of_nodes()}).")
        else:
            typer.echo(f"Settings are stored: axis {handle.axis} of node {handle.node}.")


def _of_nodes() -> str:
    """Stored parameters that belong to a node and not to an axis."""
    from ringlet.protocol.params import PARAMETERS

    return ", ".join(row.name for row in PARAMETERS if row.scope == "node" and row.stored)


def restore(
    link: LinkOption = None,
    node: NodeOption = None,
    axis: AxisOption = None,
    factory: Annotated[bool, typer.Option("--factory", help="To the defaults instead of what was saved.")] = False,
    yes: Annotated[bool, typer.Option("--yes", help="With --factory: do not ask.")] = False,
    source: SourceOption = 1,
    as_json: JsonOption = False,
) -> None:
    """Put the settings of the axis back to what was saved. What is stored stays until the next save.

    With --factory what will be lost is shown first: settings that are not the defaults, marks and texts.

    Examples: ringlet restore --link sim:single; ringlet restore --factory --axis 2
    """
    which = "factory" if factory else "stored"
    with common.open_link(link, source) as bus:
        handle = common.one_axis(bus, node, axis)
        if factory:
            from ringlet.tools.setups import lost_to_factory

            lost = lost_to_factory(bus, handle.node, handle.axis)
            common.note(f"Lost, where the maker's own settings are not the same: {'; '.join(lost) or 'nothing'}.")
            if not common.agreed("Restore the factory settings?", yes):
                return
        handle.restore(which)
        _done(f"The {which} settings are in force", {"restored": which}, handle, as_json)


def own(
    what: Annotated[str, typer.Argument(help="show, take or yield.")] = "show",
    link: LinkOption = None,
    node: NodeOption = None,
    axis: AxisOption = None,
    force: ForceOption = False,
    seconds: Annotated[float, typer.Option(min=0, help="take: keep it so long; 0 is until Ctrl-C.")] = 0.0,
    source: SourceOption = 1,
    as_json: JsonOption = False,
) -> None:
    """Show who owns the axis, take it and keep it, or give it up.

    Examples: ringlet own --link sim:single; ringlet own take --seconds 5; ringlet own yield --source 2
    """
    from ringlet.protocol.messages import GetOwner
    from ringlet.tools import show

    if what not in ("show", "take", "yield"):
        raise UsageProblem(f"{what!r} is not a word of `own`; choose show, take or yield.")
    with common.open_link(link, source) as bus:
        if what == "take" and bus.is_sim and not seconds:
            raise UsageProblem("a sim: link has no clock of its own; give --seconds, or serve it with `ringlet sim`.")
        handle = common.one_axis(bus, node, axis)
        if what == "take":
            handle.take(force=force)
            if not as_json:
                common.note(f"Control {source} owns it; Ctrl-C gives it up.")
            with suppress(KeyboardInterrupt):  # the ordinary end of keeping an axis
                _keep(bus, handle, seconds)
            handle.yield_()
        elif what == "yield":
            _give_up(handle)
        answer = bus.request(GetOwner(0), node=handle.node, axis=handle.axis)
        who = show.address(answer.owner) if answer.owner else "nobody"
        left = f", for {answer.left / 1000:g} s without a sign of life" if answer.owner else ""
        data = {"owner": answer.owner, "left_s": answer.left / 1000 if answer.owner else None}
        _done(f"Owned by {who}{left}", data, handle, as_json)


LOOK_S = 0.5
"""Seconds between two looks at who owns an axis that is kept."""


def _keep(bus: Any, handle: Any, seconds: float) -> None:
    """Keep an axis for some seconds, 0 for ever. Raises CheckFailed when it is not ours any more."""
    from ringlet.protocol.messages import GetOwner
    from ringlet.tools import show

    end = bus.clock.now() + seconds
    while not seconds or bus.clock.now() < end:
        bus.wait(min(LOOK_S, end - bus.clock.now()) if seconds else LOOK_S)
        owner = bus.request(GetOwner(0), node=handle.node, axis=handle.axis).owner
        if owner != bus.source:
            who = f"{show.address(owner)} has taken it" if owner else "it restarted, or heard us too late"
            raise CheckFailed(f"axis {handle.axis} of node {handle.node} is not ours any more: {who}.")


def _give_up(handle: Any) -> None:
    """Yield. Raises CheckFailed, in words that help, when the axis is not ours."""
    from ringlet.protocol.codes import Refusal
    from ringlet.tools import show

    try:
        handle.yield_()
    except DeviceRefused as refused:
        if refused.code not in (Refusal.OWNED, Refusal.NOT_OWNER):
            raise
        who = f"{show.address(refused.item)} owns it" if refused.item else "nobody owns it"
        raise CheckFailed(f"axis {handle.axis} of node {handle.node} is not ours to give up: {who}.") from None


def clear_fault(
    link: LinkOption = None,
    node: NodeOption = None,
    axis: AxisOption = None,
    source: SourceOption = 1,
    as_json: JsonOption = False,
) -> None:
    """Forget latched faults whose cause is gone. Nothing moves.

    Example: ringlet clear-fault --link 'serial:/dev/ttyUSB0?baud=115200' --axis 1
    """
    from ringlet.protocol.messages import ClearFault

    with common.open_link(link, source) as bus:
        handle = common.one_axis(bus, node, axis)
        bus.request(ClearFault(0), node=handle.node, axis=handle.axis)
        _done("Faults are cleared", {"state": common.state_of(handle)}, handle, as_json)


def _done(text: str, data: dict[str, Any], handle: Any, as_json: bool) -> None:
    if as_json:
        common.emit({"node": handle.node, "axis": handle.axis} | data)
    else:
        typer.echo(f"{text}: axis {handle.axis} of node {handle.node}.")
