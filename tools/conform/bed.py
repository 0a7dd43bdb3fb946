"""A simulated rig with a fault planted in it: what the self-check of the suite runs on."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Final, NamedTuple, TypeVar

from ringlet.hwsim.axis import Axis
from ringlet.hwsim.node import Node
from ringlet.hwsim.rigfile import load_rig
from ringlet.hwsim.serial_line import SerialLine
from ringlet.hwsim.simrig import SimRig
from ringlet.protocol.codec import Packet
from ringlet.protocol.wire import Kind
from ringlet.tools.conform.wire import DevicePort, Wire
from ringlet.tools.transports import SimTransport

RIG: Final = "trio"
T = TypeVar("T")
Say = Callable[[Packet], "Packet | None"]


class Bed:
    """A healthy rig, its wire, and ways to plant a fault in its first node or axis."""

    def __init__(self, seed: int = 0, rig: str = RIG, sim: SimRig | None = None) -> None:
        self.rig = sim or SimRig(load_rig(rig), seed=seed)
        self.wire = Wire(SimTransport(self.rig, label=f"sim:{rig}?seed={seed}"))

    @property
    def node(self) -> Node:
        board: Node = self.rig.nodes[0]
        return board

    @property
    def axis(self) -> Axis:
        return self.node.axes[0]

    @property
    def port(self) -> DevicePort:
        assert self.wire.port is not None
        return self.wire.port

    @property
    def line(self) -> SerialLine:
        """The serial line that the rig has, in the place of an ideal bus."""
        assert isinstance(self.rig.bus, SerialLine)
        return self.rig.bus

    def on_request(self, change: Callable[[Packet, Kind, Callable[[Packet, Kind], Any]], Any]) -> None:
        """`change(message, kind, go)` answers requests in the node's place; `go` is the healthy way."""
        go = self.node._request
        self.node._request = lambda message, kind: change(message, kind, go)  # type: ignore[method-assign]

    def on_hear(self, change: Callable[[int, bytes, Callable[[int, bytes], None]], None]) -> None:
        """`change(ident, data, go)` hears in the node's place."""
        go = self.node.hear
        self.node.hear = lambda ident, data: change(ident, data, go)  # type: ignore[method-assign]

    def on_say(self, change: Say) -> None:
        """`change(packet)` gives what is said in its place, or None for silence."""
        go = self.node.tick

        def tick() -> list[Packet]:
            said = [change(one) for one in go()]
            return [one for one in said if one is not None]

        self.node.tick = tick  # type: ignore[method-assign]

    def on_body(self, cls: type[Any], change: Callable[[Any], Any]) -> None:
        """`change(body)` gives what is said in the place of each body of this class."""
        self.on_say(lambda one: one._replace(body=change(one.body)) if isinstance(one.body, cls) else one)

    def on_set(self, change: Callable[..., Any]) -> None:
        """`change(go, number, value)` writes parameters in the axis' place."""
        wrap(self.axis, "set_parameter", change)


def wrap(owner: Any, name: str, change: Callable[..., Any]) -> None:
    """`change(go, *arguments)` in the place of a method; `go` is the healthy one."""
    go = getattr(owner, name)
    setattr(owner, name, lambda *arguments, **named: change(go, *arguments, **named))


def also(value: T, *acts: Callable[[], object]) -> T:
    """Do these things, in order, and give the value back."""
    for act in acts:
        act()
    return value


class Mutant(NamedTuple):
    """A broken motor: a plausible mistake, and the check that names the rule it breaks."""

    name: str
    text: str
    caught_by: str
    plant: Callable[[Bed], None]


MUTANTS: Final[dict[str, Mutant]] = {}


def mutant(name: str, text: str, caught_by: str) -> Callable[[Callable[[Bed], None]], Callable[[Bed], None]]:
    """Enter a fault into the table. Raises ValueError for a name that is there already."""

    def enter(plant: Callable[[Bed], None]) -> Callable[[Bed], None]:
        if name in MUTANTS:
            raise ValueError(f"mutant {name} is there already")
        MUTANTS[name] = Mutant(name, text, caught_by, plant)
        return plant

    return enter
