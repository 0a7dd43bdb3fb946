"""Marks to and from a motor: sent in items, committed with a check value, and read back."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from ringlet.protocol import messages as m
from ringlet.tools.errors import CheckFailed, UsageProblem
from ringlet.tools.lens.wiretable import NUMBERS, WireTable, unit_name
from ringlet.tools.link import AxisHandle

RINGS: Final = {"distance": "focus", "stop": "iris", "focal": "zoom"}
"""Role of the ring that a kind of marks is for."""
ROLES: Final = {role: unit for unit, role in RINGS.items()} | {"convergence": "distance"}
"""Kind of marks that an axis of this role takes; an axis of another role takes any."""
Progress = Callable[[int, int], None]


def fits_role(handle: AxisHandle, unit: str) -> None:
    """Raise UsageProblem when an axis has a role that these marks are not for."""
    role = str(handle.get("role"))
    if ROLES.get(role, unit) != unit:
        raise UsageProblem(
            f"axis {handle.axis} of node {handle.node} turns the {role} ring, and these are {unit} marks; "
            "choose the other axis or the other marks."
        )


def upload(handle: AxisHandle, table: WireTable, progress: Progress = lambda done, total: None) -> None:
    """Send a table, commit it, read it back and compare. Until the commit the old table stays in use.

    Raises CheckFailed when what is read back differs, UsageProblem when the axis has another role, and what the link
    raises.
    """
    fits_role(handle, table.unit)
    where = {"node": handle.node, "axis": handle.axis}
    total = 2 * len(table.marks)
    handle.link.request(m.OpenMarks(0, NUMBERS[table.unit], len(table.marks)), **where)
    for index, (position, value) in enumerate(table.marks):
        handle.link.request(m.PutMark(0, index, position, value), **where)
        progress(index + 1, total)
    handle.link.request(m.CommitMarks(0, table.check), **where)
    held = read(handle, lambda done, _: progress(len(table.marks) + done, total))
    if held != table:
        raise CheckFailed(f"{_name(handle)} holds other marks than were sent; {differences(held, table)[0]}.")


def read(handle: AxisHandle, progress: Progress = lambda done, total: None) -> WireTable | None:
    """The table that an axis has in use, None when there is none.

    Raises CheckFailed when its check value is not that of the marks that were read.
    """
    where = {"node": handle.node, "axis": handle.axis}
    head: m.Marks = handle.link.request(m.GetMarks(0), **where)
    if head.count == 0:
        return None
    marks = []
    for index in range(head.count):
        mark: m.Mark = handle.link.request(m.GetMark(0, index), **where)
        marks.append((mark.position, mark.value))
        progress(index + 1, head.count)
    table = WireTable(unit_name(head.values), tuple(marks))
    if table.check != head.check:
        raise CheckFailed(
            f"{_name(handle)} says that its marks have the check value {head.check:#06x}, and the marks that it sent "
            f"have {table.check:#06x}; read them again."
        )
    return table


def differences(held: WireTable | None, wanted: WireTable) -> list[str]:
    """How a table differs from what it should be, one phrase each; empty when it does not."""
    if held is None:
        return ["there is no table"]
    if held.unit != wanted.unit:
        return [f"it holds {held.unit} marks instead of {wanted.unit} marks"]
    found = []
    if len(held.marks) != len(wanted.marks):
        found.append(f"it holds {len(held.marks)} marks instead of {len(wanted.marks)}")
    for index, (here, there) in enumerate(zip(held.points, wanted.points, strict=False)):
        if here != there:
            found.append(f"mark {index} is {here[1]:g} at {here[0]:g} deg instead of {there[1]:g} at {there[0]:g} deg")
    return found


def _name(handle: AxisHandle) -> str:
    return f"axis {handle.axis} of node {handle.node}"
