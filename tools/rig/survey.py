"""What is on the bus against what the rig file says, and writing the file to the boards.

Boards are told apart by their unique ids. Only what differs is written, so a run that was broken off is taken up by
running it again. Everything is stopped first, all axes are owned while settings change, and nothing is moved.

An address that is in force and not yet stored cannot be told from one that is: the protocol has no question for it. So
every board is saved at the end, also where nothing differed, and each then puts back what it has stored and is compared
again. What this proves is in the memory that a power cut leaves.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any, Final

from ringlet.hwsim.rigfile import NodeEntry, RigFile, factory_values
from ringlet.protocol import messages as m
from ringlet.protocol.codes import ENUMS, VERSION_MAJOR, Flag
from ringlet.protocol.header import ALL_AXES, FRESH, NODE_FIRST, NODE_LAST
from ringlet.protocol.params import BY_NAME
from ringlet.protocol.physical import show_parameter
from ringlet.tools import setups
from ringlet.tools.cli_bus import read_text
from ringlet.tools.errors import CheckFailed, UsageProblem
from ringlet.tools.finding import Found, id_text
from ringlet.tools.link import Link
from ringlet.tools.places import known_place
from ringlet.tools.setups import NODE, Difference

Progress = Callable[[str], None]
LATER: Final = "read and written once the board has its address"
NOT_IN_FILE: Final = "the rig file does not know it; switch it off, or add it"
BY_HAND: Final = "not written by this; see `ringlet pair upload` and `ringlet set`"
NOT_STATED: Final = "the rig file does not state it"
PAIRED: Final = ("velocity-limit", "acceleration-limit", "deceleration-limit", "jerk-limit")
"""What the two motors of a pair must have in common to stay side by side."""
REST_S: Final = 10.0
_STORED: Final = next(count for count, name, _ in ENUMS["restore"] if name == "stored")


def compare(link: Link, rig: RigFile, progress: Progress = lambda text: None) -> list[Difference]:
    """Everything in which bus and file differ. What `apply` does not write says why in `left`."""
    return _compare(link, rig, link.discover(), progress)


def _compare(link: Link, rig: RigFile, on_bus: Iterable[Found], progress: Progress) -> list[Difference]:
    here: dict[int, list[Found]] = {}
    for one in on_bus:
        here.setdefault(one.id, []).append(one)
    found: list[Difference] = []
    usable: dict[int, int] = {}
    """address in the file -> address on the bus, of boards that can be asked"""
    for node in rig.nodes:
        label = id_text(node.unique_id)
        boards = here.get(node.unique_id, [])
        if not boards:
            found.append(
                Difference(label, node.address, NODE, "board", "not on the bus", "in the file", "", setups.MISSING)
            )
            continue
        board = boards[0]
        if len(boards) > 1:
            places = ", ".join(str(one.address) for one in boards)
            found.append(
                Difference(label, board.address, NODE, "unique id", f"at {places}", "one board", "",
                           "two boards with one id cannot be told apart; change one of them")
            )  # fmt: skip
            continue
        if board.major != VERSION_MAJOR:
            left = "it is shown and not driven; change its firmware"
            found.append(
                Difference(label, board.address, NODE, "version", f"{board.major}.{board.minor}", f"{VERSION_MAJOR}.x",
                           "", left)
            )  # fmt: skip
            continue
        if board.address in link.clashes or (board.fresh and node.address != FRESH):
            found.append(Difference(label, board.address, NODE, "address", board.address, node.address, "", ""))
            found.append(Difference(label, board.address, NODE, "settings", "not read", "as in the file", "", LATER))
            continue
        usable[node.address] = board.address
        if board.address != node.address:
            found.append(Difference(label, board.address, NODE, "address", board.address, node.address, "", ""))
        found += _board(link, node, board.address, progress)
    listed = {node.unique_id for node in rig.nodes}
    for unique_id in sorted(here.keys() - listed):
        one = here[unique_id][0]
        found.append(
            Difference(id_text(unique_id), one.address, NODE, "board", "on the bus", "not in the file", "", NOT_IN_FILE)
        )
    return found + _pairs(link, rig, usable)


def _board(link: Link, node: NodeEntry, address: int, progress: Progress) -> list[Difference]:
    label, found = id_text(node.unique_id), []
    shared = show_parameter(BY_NAME["shared-line"], link.request(
        m.Get(0, BY_NAME["shared-line"].id), node=address, axis=ALL_AXES).value)  # fmt: skip
    wanted = "on" if node.shared_line else "off"
    if shared != wanted:
        found.append(Difference(label, address, NODE, "shared-line", shared, wanted, "", ""))
    axes = link.request(m.Identify(0), node=address).axes
    if axes != len(node.axes):
        found.append(
            Difference(label, address, NODE, "axes", axes, len(node.axes), "", "that is how the board is built")
        )
    for number, entry in enumerate(node.axes[:axes]):
        progress(f"reading {address}.{number}")
        for name, count in sorted(factory_values(entry).items()):
            row = BY_NAME[name]
            held = link.request(m.Get(0, row.id), node=address, axis=number).value
            if held != count:
                now, then = show_parameter(row, held), show_parameter(row, count)
                found.append(Difference(label, address, number, name, now, then, row.unit, ""))
        if link.axis(address, number).status().flags >> Flag.UNSAVED & 1:
            found.append(Difference(label, address, number, "stored", "no", "yes", "", ""))
    return found


def not_stated(link: Link, rig: RigFile, progress: Progress = lambda text: None) -> list[Difference]:
    """What the file says nothing about and that differs from factory settings, on the boards that stand at their place.

    The maker's own defaults cannot be asked for: the yardstick is the protocol's. Travel, marks and texts are among it.
    """
    found = []
    for node in rig.nodes:
        board = link.nodes.get(node.address)
        if board is None or board.id != node.unique_id or node.address in link.clashes:
            continue
        axes = link.request(m.Identify(0), node=node.address).axes
        for number, entry in enumerate(node.axes[:axes]):
            progress(f"reading the rest of {node.address}.{number}")
            found += _beyond(link, node, number, factory_values(entry))
    return found


def _beyond(link: Link, node: NodeEntry, axis: int, stated: dict[str, int]) -> list[Difference]:
    label, found = id_text(node.unique_id), []
    for row in setups.rows_of("axis"):
        if row.name not in stated:
            held = link.request(m.Get(0, row.id), node=node.address, axis=axis).value
            if held != row.default:
                now, default = show_parameter(row, held), show_parameter(row, row.default)
                found.append(Difference(label, node.address, axis, row.name, now, default, row.unit, NOT_STATED))
    marks = setups.marks_of(link, node.address, axis)
    if marks is not None:
        found.append(Difference(label, node.address, axis, "marks", setups.summary(marks), "none", "", NOT_STATED))
    for name in setups.TEXTS:
        text = read_text(link, node.address, name, axis)
        if text:
            found.append(Difference(label, node.address, axis, name, text, "none", "", NOT_STATED))
    return found


def _pairs(link: Link, rig: RigFile, usable: dict[int, int]) -> list[Difference]:
    """Whether the two axes of each pair are alike in what keeps them together."""
    ids = {node.address: id_text(node.unique_id) for node in rig.nodes}
    found = []
    for pair in rig.pairs:
        sides: list[tuple[int, int, dict[str, Any]]] = []
        for place in (pair.left, pair.right):
            node, axis = known_place(place)
            if node in usable and axis < link.request(m.Identify(0), node=usable[node]).axes:
                handle = link.axis(usable[node], axis)
                marks = setups.marks_of(link, usable[node], axis)
                held = {name: handle.get(name) for name in PAIRED}
                sides.append((node, axis, held | {"kind of marks": "none" if marks is None else marks["kind"]}))
        if len(sides) < 2:
            continue
        (_, _, left), (node, axis, right) = sides
        found += [
            Difference(ids[node], usable[node], axis, f"pair with {pair.left}: {name}", right[name], left[name],
                       BY_NAME[name].unit if name in BY_NAME else "", BY_HAND)
            for name in left if left[name] != right[name]
        ]  # fmt: skip
    return found


def apply(
    link: Link, rig: RigFile, *, force: bool = False, progress: Progress = lambda text: None
) -> tuple[list[Difference], list[Difference]]:
    """Write the file to the boards; what was written, and what differs still (each with its reason in `left`).

    Raises UsageProblem before anything is written when a board is missing, strange or built otherwise, or an axis
    obeys another control; CheckFailed when a board does not take what it was given. However it ends, all is stopped.
    """
    link.stop()
    try:
        return _apply(link, rig, force, progress)
    except BaseException:
        link.stop()  # blind: whatever broke, nothing of the rig goes on moving
        raise


def _apply(link: Link, rig: RigFile, force: bool, progress: Progress) -> tuple[list[Difference], list[Difference]]:
    first = compare(link, rig, progress)
    _writable(first)
    written = [one for one in first if not one.left]
    _settle(link, rig, {int(one.unique_id, 16) for one in first if one.what == "address"})
    _readdress(link, rig, [one for one in first if one.what == "address"], force, progress)
    now = _compare(link, rig, link.discover(), progress)
    _writable(now)
    written += [one for one in now if not one.left and one not in written]
    places = [(node.address, axis) for node in rig.nodes for axis in range(len(node.axes))]
    with setups.quiet(link, places, force):
        todo = [one for one in now if one.what in BY_NAME and one.what != "address"]
        setups.put_back(link, todo, progress)
        for node in rig.nodes:
            _store(link, node, progress)
    after = compare(link, rig, progress)
    wrong = [one for one in after if not one.left]
    if wrong:
        raise CheckFailed(f"{wrong[0].what} of {wrong[0].place} was written and reads differently; apply it again.")
    return written, after


def _store(link: Link, node: NodeEntry, progress: Progress) -> None:
    """Save a board, and let it put back what it has stored, so that what reads the same afterwards is stored.

    To be called while `quiet`: nothing moves by it, and the travel stays known. Raises CheckFailed, DeviceRefused.
    """
    progress(f"saving node {node.address}")
    link.request(m.Save(0), node=node.address, axis=ALL_AXES)
    link.request(m.Restore(0, _STORED), node=node.address, axis=ALL_AXES)
    held = link.request(m.Get(0, BY_NAME["address"].id), node=node.address, axis=ALL_AXES).value
    if held != node.address:
        raise CheckFailed(
            f"node {node.address} has stored the address {held} and not its own, though it was saved; look at its "
            "storage, and apply the file again."
        )


def blocks(one: Difference) -> bool:
    """Whether writing cannot mend a difference and it makes the rig another one."""
    return bool(one.left) and one.left not in (LATER, BY_HAND, NOT_IN_FILE)


def _writable(found: list[Difference]) -> None:
    """Raise UsageProblem for a difference that blocks."""
    for one in found:
        if blocks(one):
            raise UsageProblem(
                f"the rig does not match the file: {one.what} of board {one.unique_id} is {one.now} and should be "
                f"{one.then} ({one.left}); nothing was written."
            )


def _settle(link: Link, rig: RigFile, moving_house: set[int]) -> None:
    """Wait until everything that can be asked is at rest, after the stop. Raises CheckFailed when it is not."""
    for node in rig.nodes:
        if node.unique_id not in moving_house and node.address in link.nodes:
            for axis in range(len(node.axes)):
                handle = link.axis(node.address, axis)
                if handle.status().fault == 0:
                    handle.rest(REST_S)


def _readdress(link: Link, rig: RigFile, found: list[Difference], force: bool, progress: Progress) -> None:
    """Give each board the address of the file. One that sits on another's place is moved to a spare place first."""
    goal = {int(one.unique_id, 16): int(one.then) for one in found if int(one.then) != FRESH}
    listed = {node.unique_id for node in rig.nodes}
    owners = [
        status.owner for one in found if one.node != FRESH and one.node not in link.clashes
        for axis in range(link.request(m.Identify(0), node=one.node).axes)
        if (status := link.axis(one.node, axis).status()).owner not in (0, link.source)
    ]  # fmt: skip
    if owners and not force:
        raise UsageProblem(f"control {owners[0]} drives a board that must move to another address; let it yield first.")
    for unique_id, address in goal.items():
        holder = link.nodes.get(address)
        if holder is not None and holder.id != unique_id and holder.id not in listed:
            raise UsageProblem(
                f"address {address} is for board {id_text(unique_id)} and board {id_text(holder.id)}, which is not in "
                "the file, holds it; switch that one off or give it another address; nothing was written."
            )
    kept = {node.address for node in rig.nodes}
    for unique_id, address in goal.items():
        progress(f"address {address} for {id_text(unique_id)}")
        for other in [one for one in goal if one != unique_id]:
            if link.nodes.get(address) is not None and link.nodes[address].id == other:
                used = kept | set(link.nodes)
                spare = next(one for one in range(NODE_LAST, NODE_FIRST - 1, -1) if one not in used)
                link.assign(other, spare)
        link.nodes.pop(address, None)
        link.assign(unique_id, address)
        link.request(m.Save(0), node=address, axis=ALL_AXES)  # at once: what is broken off here need not be done again
