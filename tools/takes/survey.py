"""What the axes on a bus are, as a take keeps it."""

from __future__ import annotations

import math

from ringlet.tools import cli_bus
from ringlet.tools.finding import id_text
from ringlet.tools.lens import transfer
from ringlet.tools.lens.curve import MarkProblem
from ringlet.tools.link import AxisHandle, Link
from ringlet.tools.takes.layout import AxisInfo


def survey(link: Link, places: list[tuple[int, int]]) -> list[AxisInfo]:
    """Each axis (node, axis) with its role, texts, marks and the board it is on."""
    ids = {node: id_of(link, node) for node, _ in places}
    return [_info(link.axis(node, axis), ids[node]) for node, axis in places]


def _info(handle: AxisHandle, unique_id: str) -> AxisInfo:
    link, node, axis = handle.link, handle.node, handle.axis
    counts, motor, ring = (float(handle.get(name)) for name in ("encoder-counts", "motor-teeth", "ring-teeth"))
    try:
        table = transfer.read(handle)
    except MarkProblem:  # of a newer version: the take does without
        table = None
    marks = () if table is None else tuple((at, None if math.isinf(x) else x) for at, x in table.points)
    return AxisInfo(
        node, axis, unique_id, cli_bus.role(link, node, axis), cli_bus.read_text(link, node, "axis-name", axis),
        cli_bus.read_text(link, node, "lens-name", axis), round(360.0 / counts * motor / ring, 6),
        table.unit if table is not None else "", marks,
    )  # fmt: skip


def id_of(link: Link, node: int) -> str:
    """Unique id of the board at an address, 12 hex digits."""
    from ringlet.protocol.messages import Discover

    if node not in link.nodes:
        answer = link.request(Discover(0), node=node)
        return id_text(answer.id)
    return id_text(link.nodes[node].id)
