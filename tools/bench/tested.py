"""What stands on the bench: boards, axes, their parameters, and the cards of a simulated rig, as a run keeps them."""

from __future__ import annotations

import platform
from importlib.metadata import PackageNotFoundError, version
from typing import Any

from ringlet.hwsim.cardfile import MotorCard
from ringlet.protocol import messages as m
from ringlet.protocol import physical
from ringlet.protocol.codes import Flag
from ringlet.protocol.header import ALL_AXES
from ringlet.protocol.params import PARAMETERS
from ringlet.tools.bench.run_folder import AxisTested, NodeTested
from ringlet.tools.cli_bus import read_text, role
from ringlet.tools.finding import id_text
from ringlet.tools.link import Link


def node_tested(link: Link, address: int) -> NodeTested:
    """A board by its address. Raises NoAnswer."""
    about: m.Identity = link.request(m.Identify(0), node=address)
    return NodeTested(
        node=address, id=_unique_id(link, address), maker=read_text(link, address, "maker"),
        model=read_text(link, address, "model"), protocol=f"{about.major}.{about.minor}",
        firmware=about.firmware, hardware=about.hardware, parameters=_parameters(link, address, ALL_AXES),
    )  # fmt: skip


def axis_tested(link: Link, address: int, axis: int, motor: MotorCard | None = None) -> AxisTested:
    """An axis of it; `motor` is the card that a person named. Raises NoAnswer."""
    cards = _sim_cards(link, address, axis)
    if motor is not None:
        cards["motor_card"] = motor.model_dump(mode="json")
    return AxisTested(
        node=address, axis=axis, role=role(link, address, axis),
        name=read_text(link, address, "axis-name", axis), lens=read_text(link, address, "lens-name", axis),
        parameters=_parameters(link, address, axis),
        calibrated=bool(link.axis(address, axis).status().flags >> Flag.CALIBRATED & 1), **cards,
    )  # fmt: skip


def tools() -> dict[str, str]:
    """What measures: versions by name."""
    found = {"python": platform.python_version()}
    for name in ("ringlet", "numpy", "scipy"):
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            found[name] = "unknown"
    return found


def _unique_id(link: Link, address: int) -> str:
    if address not in link.nodes:
        link.discover()
    return id_text(link.nodes[address].id) if address in link.nodes else "unknown"


def _parameters(link: Link, address: int, axis: int) -> dict[str, str]:
    scope = "node" if axis == ALL_AXES else "axis"
    shown = {}
    for row in PARAMETERS:
        if row.scope == scope:
            count = link.request(m.Get(0, row.id), node=address, axis=axis).value
            shown[row.name] = f"{physical.show_parameter(row, count)} {row.unit}".rstrip()
    return shown


def _sim_cards(link: Link, address: int, axis: int) -> dict[str, Any]:
    if link.rig is None:
        return {}
    from ringlet.hwsim.rigfile import axis_cards

    boards = zip(link.rig.rig.nodes, link.rig.nodes, strict=True)
    entry = next(entry for entry, board in boards if board.address == address)
    motor, lens = axis_cards(entry.axes[axis])
    return {"motor_card": motor.model_dump(mode="json"), "lens_card": lens.model_dump(mode="json")}
