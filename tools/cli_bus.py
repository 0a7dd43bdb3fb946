"""Commands that look: who is on the bus, what is it, what does it do. And stop, which looks at nothing first."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Annotated, Any

import typer

from ringlet.tools import cli_common as common
from ringlet.tools.cli_common import AxisOption, JsonOption, LinkOption, NodeOption, SourceOption
from ringlet.tools.errors import LinkProblem, UsageProblem

if TYPE_CHECKING:
    from ringlet.tools.link import Link
    from ringlet.tools.show import AxisView


def stop(
    link: LinkOption = None,
    node: NodeOption = None,
    axis: AxisOption = None,
    source: SourceOption = 1,
    as_json: JsonOption = False,
) -> None:
    """Ramp every axis down, at once. Nothing is looked for first; with --node and --axis only that one.

    Examples: ringlet stop --link 'serial:/dev/ttyUSB0?baud=115200'; ringlet stop --node 16 --axis 1
    """
    from ringlet.protocol.header import ALL_AXES, EVERYONE

    dst, place = EVERYONE if node is None else node, ALL_AXES if axis is None else axis
    try:
        with common.open_link(link, source) as bus:
            bus.stop(dst, place)
    except LinkProblem as error:
        raise LinkProblem(
            f"no stop was sent: {str(error).rstrip('.')}; if something moves, cut the power, or end the program that "
            "drives it with Ctrl-C."
        ) from None
    if as_json:
        common.emit({"stop": {"node": dst, "axis": place}})
    else:
        typer.echo("Stop sent. It is not an emergency stop: to be sure, cut the power in hardware.")


def discover(
    link: LinkOption = None,
    assign: Annotated[bool, typer.Option("--assign", help="Give every node without an address one.")] = False,
    source: SourceOption = 1,
    as_json: JsonOption = False,
) -> None:
    """Find all nodes, those without an address too. An address given with --assign lasts until power-off unless saved.

    Examples: ringlet discover --link sim:pair; ringlet discover --assign --link can:socketcan:can0
    """
    from ringlet.protocol.codes import VERSION_MAJOR
    from ringlet.protocol.header import FRESH
    from ringlet.tools import show
    from ringlet.tools.errors import NoAnswer

    with common.open_link(link, source) as bus:
        fresh: set[int] = set()
        bus.subscribe(lambda heard, _: fresh.add(heard.body.id) if heard.src == FRESH else None, ("announce",))
        found = sorted(bus.discover(assign=assign))
        if not found:
            raise NoAnswer(common.nobody(bus))
    for one in found:
        if one.id in fresh and not one.fresh:
            common.note(f"Address {one.address} lasts until power-off; `ringlet save --node {one.address}` keeps it.")
    if as_json:
        keys = ("address", "id", "major", "minor", "fresh")
        common.emit({"nodes": [{key: getattr(one, key) for key in keys} for one in found]})
        return
    grid = show.table("address", "unique id", "protocol", "says", right=("address",))
    for one in found:
        says = ["no address of its own: discover --assign gives one"] if one.fresh else []
        if one.major != VERSION_MAJOR:
            says.append(f"another major version than ours ({VERSION_MAJOR}): shown, not driven")
        grid.add_row(str(one.address), f"0x{one.id:012X}", f"{one.major}.{one.minor}", "; ".join(says))
    common.console().print(grid)


def identify(
    link: LinkOption = None, node: NodeOption = None, source: SourceOption = 1, as_json: JsonOption = False
) -> None:
    """Say what each node is: maker, model, versions, axes and what they turn.

    Examples: ringlet identify --link sim:trio; ringlet identify --node 16
    """
    from ringlet.protocol.messages import Identify
    from ringlet.tools import show

    with common.open_link(link, source) as bus:
        entries = []
        for address in common.nodes(bus, node):
            about = bus.request(Identify(0), node=address)
            entries.append(
                {
                    "node": address,
                    "maker": read_text(bus, address, "maker"),
                    "model": read_text(bus, address, "model"),
                    "protocol": f"{about.major}.{about.minor}",
                    "firmware": about.firmware,
                    "hardware": about.hardware,
                    "axes": [
                        {
                            "axis": axis,
                            "role": role(bus, address, axis),
                            "axis_name": read_text(bus, address, "axis-name", axis),
                            "lens_name": read_text(bus, address, "lens-name", axis),
                        }
                        for axis in range(about.axes)
                    ],
                }
            )
    if as_json:
        common.emit({"nodes": entries})
        return
    grid = show.table("node", "maker, model", "versions", "axis", "role", "name", "lens", right=("node", "axis"))
    for entry in entries:
        versions = f"protocol {entry['protocol']}, firmware {entry['firmware']}, hardware {entry['hardware']}"
        for place, one in enumerate(entry["axes"]):
            head = ("", "", "") if place else (str(entry["node"]), f"{entry['maker']}, {entry['model']}", versions)
            grid.add_row(*head, str(one["axis"]), str(one["role"]), one["axis_name"] or "-", one["lens_name"] or "-")
    common.console().print(grid)


def read_text(bus: Link, node: int, item: str, axis: int = 15) -> str:
    """A text of a node or axis, read in parts; empty when there is none."""
    from ringlet.protocol.codes import ENUMS, Refusal
    from ringlet.protocol.items import PARTS_MAX, text_of
    from ringlet.protocol.messages import GetText
    from ringlet.tools.errors import DeviceRefused

    code = next(count for count, name, _ in ENUMS["item"] if name == item)
    parts: list[bytes] = []
    while len(parts) < PARTS_MAX and not (parts and 0 in parts[-1]):
        try:
            parts.append(bus.request(GetText(0, code << 4 | len(parts)), node=node, axis=axis).text)
        except DeviceRefused as refused:
            if refused.code != Refusal.UNKNOWN_ITEM:
                raise
            break
    return text_of(parts)


def role(bus: Link, node: int, axis: int) -> str:
    """What the axis turns, by name."""
    return str(bus.axis(node, axis).get("role"))


def look(bus: Link, node: int, axis: int, what: str) -> AxisView:
    """Ask one axis for all that it reports; `what` is its role, read once."""
    from ringlet.protocol.behaviour import TRAVEL_COUNTS
    from ringlet.protocol.codes import Flag, flag_names, names
    from ringlet.protocol.messages import GetFaults, GetStatus, Poll
    from ringlet.tools.show import AxisView

    polls = {name: count for count, name in names("poll").items()}

    def ask(name: str) -> Any:
        return bus.request(Poll(0, polls[name]), node=node, axis=axis)

    status = bus.request(GetStatus(0), node=node, axis=axis)
    motion, drive, health = ask("motion"), ask("drive"), ask("health")
    latched = bus.request(GetFaults(0), node=node, axis=axis).latched
    return AxisView(
        node=node,
        axis=axis,
        role=what,
        state=names("state").get(status.state, str(status.state)),
        position_deg=motion.position / 1000,
        setpoint_deg=drive.setpoint / 1000,
        velocity_deg_s=motion.velocity / 1000,
        travel=status.travel / TRAVEL_COUNTS if status.flags >> Flag.CALIBRATED & 1 else None,
        owner=status.owner,
        flags=flag_names(status.flags),
        faults=tuple(names("fault").get(bit, f"fault {bit}") for bit in range(24) if latched >> bit & 1),
        current_a=drive.current / 1000,
        load_percent=drive.load,
        supply_v=health.supply / 1000,
        winding_c=health.winding / 10,
        case_c=health.case / 10,
    )


def _chosen(bus: Link, node: int | None, axis: int | None) -> list[tuple[int, int, str]]:
    if axis is not None and node is None:
        node = common.one_node(bus, None)
    return [
        (address, place, role(bus, address, place))
        for address in common.nodes(bus, node)
        for place in common.axes_of(bus, address, axis)
    ]


def status(
    link: LinkOption = None,
    node: NodeOption = None,
    axis: AxisOption = None,
    source: SourceOption = 1,
    as_json: JsonOption = False,
) -> None:
    """Show state, position, load, temperatures, owner and faults of every axis.

    Examples: ringlet status --link sim:trio; ringlet status --node 16 --axis 2 --json
    """
    from ringlet.tools import show

    with common.open_link(link, source) as bus:
        views = [look(bus, *one) for one in _chosen(bus, node, axis)]
    if as_json:
        common.emit({"axes": [view._asdict() for view in views]})
    else:
        screen = common.console()
        screen.print(show.axes(views, width=screen.width))


def watch(
    link: LinkOption = None,
    node: NodeOption = None,
    axis: AxisOption = None,
    seconds: Annotated[float, typer.Option(min=0, help="How long; 0 is until Ctrl-C.")] = 0.0,
    rate: Annotated[float, typer.Option(min=0.1, max=50, help="Looks a second.")] = 5.0,
    source: SourceOption = 1,
    as_json: JsonOption = False,
) -> None:
    """Keep looking at every axis: a live table, or one JSON line a look.

    Examples: ringlet watch --link can:socketcan:can0; ringlet watch --seconds 2 --link sim:trio --json
    """
    from rich.live import Live

    from ringlet.tools import show

    with common.open_link(link, source) as bus:
        if bus.is_sim and not seconds:
            raise UsageProblem("a sim: link has no clock of its own; give --seconds, or serve it with `ringlet sim`.")
        chosen = _chosen(bus, node, axis)
        begin = bus.clock.now()
        screen = common.console()
        live = None if as_json else Live(console=screen, auto_refresh=False)
        try:
            if live:
                live.start()
            looks = 0
            while not seconds or bus.clock.now() - begin < seconds:
                now = bus.clock.now() - begin
                views = [look(bus, *one) for one in chosen]
                if live:
                    title = f"{bus.url}  {now:.1f} s  (Ctrl-C ends)"
                    live.update(show.axes(views, title, screen.width), refresh=True)
                else:
                    typer.echo(json.dumps({"time_s": round(now, 6), "axes": [view._asdict() for view in views]}))
                looks += 1
                bus.wait(max(0.0, begin + looks / rate - bus.clock.now()))
        except KeyboardInterrupt:
            pass  # looking moves nothing: Ctrl-C is the ordinary end
        finally:
            if live:
                live.stop()
