"""Named set-ups: every stored parameter, the marks and the texts of all axes, kept in a file and put back.

A file is matched to a rig by the unique ids of the boards, never by address alone. Two things are kept and only put
back when they are named: the travel, which is right only while the ring positions have the same numbers as when it was
saved (a motor counts anew after power-up and after gears or lens were changed); and the address.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Callable, Iterable
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, NamedTuple

from ringlet.protocol import messages as m
from ringlet.protocol.codes import ENUMS
from ringlet.protocol.header import ALL_AXES
from ringlet.protocol.items import marks_check, text_check, text_parts
from ringlet.protocol.params import BY_NAME, PARAMETERS, Param
from ringlet.protocol.physical import ValueProblem, read_parameter, show_parameter
from ringlet.protocol.states import STATES, State
from ringlet.tools.cli_bus import read_text
from ringlet.tools.errors import CheckFailed, DeviceRefused, RingletError, UsageProblem
from ringlet.tools.files import write_whole

if TYPE_CHECKING:
    from collections.abc import Iterator

    from ringlet.tools.link import Link

FORMAT: Final = 1
TEXTS: Final = ("axis-name", "lens-name")
ONLY_NAMED: Final = {"travel-min": "travel", "travel-max": "travel", "address": "address"}
"""Parameters that are put back only when their word is named, and the word."""
WORDS: Final = frozenset(ONLY_NAMED.values())
MISSING: Final = "it is not there"
UNKNOWN: Final = "the set-up does not know it"
NODE: Final = -1
"""Place of what belongs to the board and not to an axis."""
_NAME: Final = re.compile(r"[A-Za-z0-9][A-Za-z0-9._ -]{0,63}")
_ITEMS: Final = {name: count for count, name, _ in ENUMS["item"]}
Setup = dict[str, Any]


class Difference(NamedTuple):
    """Something that a set-up would change."""

    unique_id: str
    node: int
    axis: int
    """NODE (-1) for the board"""
    what: str
    now: Any
    then: Any
    unit: str
    left: str
    """why it is left as it is, empty when it is put back"""

    @property
    def place(self) -> str:
        """For people."""
        return f"node {self.node}" if self.axis == NODE else f"{self.node}.{self.axis}"


# --- files -----------------------------------------------------------------------------------------------------


def path_of(folder: Path, name: str) -> Path:
    """The file of a set-up. Raises UsageProblem for a name that makes no file name."""
    if not _NAME.fullmatch(name) or name != name.strip():
        raise UsageProblem(f"{name!r} is no name for a set-up; use letters, digits, spaces, dots and dashes.")
    return folder / f"{name}.json"


def write(path: Path, setup: Setup, replace: bool = False) -> None:
    """Write the file, whole or not at all. Raises UsageProblem when it is there and shall not be replaced."""
    if path.exists() and not replace:
        raise UsageProblem(f"there is a set-up {path.stem!r} already; choose another name, or add --replace.")
    path.parent.mkdir(parents=True, exist_ok=True)
    write_whole(path, json.dumps(setup, indent=1, allow_nan=False).encode())


def read(path: Path) -> Setup:
    """A set-up from its file, checked. Raises UsageProblem."""
    try:
        found = json.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise UsageProblem(
            f"there is no set-up {path.stem!r} in {path.parent}; `ringlet setup list` lists them."
        ) from None
    except (OSError, ValueError) as error:
        raise UsageProblem(f"{path} cannot be read as a set-up ({type(error).__name__}); save it anew.") from None
    try:
        if found["format"] > FORMAT:
            raise UsageProblem(f"{path} has format {found['format']}, and this program reads up to {FORMAT}.")
        for node in found["nodes"]:
            int(node["id"], 16)
            _check_parameters(path, node["parameters"], "node")
            for axis in node["axes"]:
                _check_parameters(path, axis["parameters"], "axis")
                if axis["marks"] is not None:
                    _table_of(axis["marks"])
                for name in TEXTS:
                    text_parts(axis["texts"][name])
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise UsageProblem(f"{path} is no set-up of ringlet ({type(error).__name__} {error}); save it anew.") from None
    return dict(found)


def _check_parameters(path: Path, given: dict[str, Any], scope: str) -> None:
    for name, value in given.items():
        row = BY_NAME.get(name)
        if row is None or row.scope != scope:
            raise UsageProblem(f"{path} has a parameter {name!r}, which no {scope} has; correct it or save anew.")
        try:
            read_parameter(row, value)
        except ValueProblem as error:
            raise UsageProblem(f"{path} cannot be used: {error}.") from None


def stored(folder: Path) -> list[tuple[str, Setup | None]]:
    """All set-ups in a folder by name; None for a file that is no set-up."""
    found: list[tuple[str, Setup | None]] = []
    for path in sorted(folder.glob("*.json")):
        try:
            found.append((path.stem, read(path)))
        except UsageProblem:
            found.append((path.stem, None))
    return found


# --- from a rig --------------------------------------------------------------------------------------------------


def rows_of(scope: str) -> list[Param]:
    """The parameters that a set-up holds."""
    return [row for row in PARAMETERS if row.scope == scope and row.stored]


def take(link: Link, nodes: list[int], progress: Callable[[str], None] = lambda text: None) -> Setup:
    """The set-up of a rig, as it is in force now. The caller adds name and date."""
    return {"format": FORMAT, "nodes": [_node(link, node, progress) for node in nodes]}


def _node(link: Link, node: int, progress: Callable[[str], None]) -> dict[str, Any]:
    axes = link.request(m.Identify(0), node=node).axes
    made: dict[str, Any] = {
        "id": _id(link, node), "address": node, "maker": read_text(link, node, "maker"),
        "model": read_text(link, node, "model"), "parameters": _parameters(link, node, ALL_AXES, "node"), "axes": [],
    }  # fmt: skip
    for axis in range(axes):
        progress(f"reading {node}.{axis}")
        made["axes"].append(
            {
                "axis": axis,
                "parameters": _parameters(link, node, axis, "axis"),
                "marks": marks_of(link, node, axis),
                "texts": {name: read_text(link, node, name, axis) for name in TEXTS},
            }
        )
    return made


def _parameters(link: Link, node: int, axis: int, scope: str) -> dict[str, Any]:
    return {
        row.name: show_parameter(row, link.request(m.Get(0, row.id), node=node, axis=axis).value)
        for row in rows_of(scope)
    }


def marks_of(link: Link, node: int, axis: int) -> dict[str, Any] | None:
    """Marks in use: kind, and ring degrees with values; None stands for infinity, as JSON has none."""
    from ringlet.tools.lens import transfer

    table = transfer.read(link.axis(node, axis))
    if table is None:
        return None
    return {"kind": table.unit, "table": [[at, None if math.isinf(value) else value] for at, value in table.points]}


def _table_of(marks: dict[str, Any]) -> Any:
    """The wire's table of saved marks."""
    from ringlet.tools.lens.wiretable import MDEG, WireTable, count_of

    kind = marks["kind"]
    return WireTable(
        kind,
        tuple((round(MDEG * at), count_of(math.inf if value is None else value, kind)) for at, value in marks["table"]),
    )


def _id(link: Link, node: int) -> str:
    from ringlet.tools.takes.survey import id_of

    return id_of(link, node)


# --- compared ----------------------------------------------------------------------------------------------------


def differences(setup: Setup, now: Setup, named: Iterable[str] = ()) -> list[Difference]:
    """What a set-up would change on a rig, board by board. `named`: words of what is put back only when named.

    Raises UsageProblem when no board of the set-up is there.
    """
    here = {node["id"]: node for node in now["nodes"]}
    there = {node["id"]: node for node in setup["nodes"]}
    if not here.keys() & there.keys():
        raise UsageProblem(
            f"none of the boards of this set-up is on the bus (it has {', '.join(there)}, here are {', '.join(here)}); "
            "nothing was changed."
        )
    words = frozenset(named)
    found: list[Difference] = []
    for unique_id, one in there.items():
        node = here.get(unique_id)
        if node is None:
            found.append(
                Difference(unique_id, one["address"], NODE, "board", "not on the bus", "in the set-up", "", MISSING)
            )
            continue
        address = node["address"]
        found += _changed(unique_id, address, NODE, node["parameters"], one["parameters"], words)
        held = {axis["axis"]: axis for axis in node["axes"]}
        for axis in one["axes"]:
            place, mine = axis["axis"], held.get(axis["axis"])
            if mine is None:
                found.append(Difference(unique_id, address, place, "axis", "none", "in the set-up", "", MISSING))
                continue
            found += _changed(unique_id, address, place, mine["parameters"], axis["parameters"], words)
            if mine["marks"] != axis["marks"]:
                found.append(Difference(unique_id, address, place, "marks", mine["marks"], axis["marks"], "", ""))
            found += [
                Difference(unique_id, address, place, name, mine["texts"][name], axis["texts"][name], "", "")
                for name in TEXTS if mine["texts"][name] != axis["texts"][name]
            ]  # fmt: skip
    for unique_id in here.keys() - there.keys():
        address = here[unique_id]["address"]
        found.append(Difference(unique_id, address, NODE, "board", "on the bus", "not in the set-up", "", UNKNOWN))
    return found


def _changed(
    unique_id: str, node: int, axis: int, now: dict[str, Any], then: dict[str, Any], words: frozenset[str]
) -> list[Difference]:
    found = []
    for name, value in then.items():
        if name in now and now[name] == value:
            continue
        word = ONLY_NAMED.get(name, "")
        left = f"put back only with --also {word}" if word and word not in words else ""
        found.append(Difference(unique_id, node, axis, name, now.get(name), value, BY_NAME[name].unit, left))
    return found


def ends_calibration(one: Difference) -> bool:
    """Whether this change makes the ring positions mean something else (the parameter's own text says so)."""
    return one.what in BY_NAME and "ends the calibration" in BY_NAME[one.what].doc


def summary(value: Any) -> str:
    """A value of a difference in a few words."""
    if isinstance(value, dict):
        return f"{len(value['table'])} {value['kind']} marks"
    return "none" if value is None or value == "" else str(value)


# --- put back ----------------------------------------------------------------------------------------------------


@contextmanager
def quiet(link: Link, places: list[tuple[int, int]], force: bool = False) -> Iterator[None]:
    """Own the axes, all at rest, while settings change: nobody drives meanwhile. Raises before anything is changed."""
    owned: list[tuple[int, int]] = []
    try:
        for node, axis in places:
            handle = link.axis(node, axis)
            state = State(handle.status().state)
            if not STATES[state].still:
                raise UsageProblem(f"axis {node}.{axis} is moving; bring it to rest first, nothing was changed.")
            handle.take(force=force)
            owned.append((node, axis))
        yield
    finally:
        for node, axis in owned:
            with suppress(RingletError):
                link.axis(node, axis).yield_()


def put_back(link: Link, wanted: list[Difference], progress: Callable[[str], None] = lambda text: None) -> None:
    """Carry out the differences that are not left; to be called while `quiet`. Raises CheckFailed, DeviceRefused."""
    todo = [one for one in wanted if not one.left]
    rest = [one for one in todo if one.what in BY_NAME]
    # Motion limits must fit together at each moment: what is refused now may be taken after another was written.
    while rest:
        again: list[tuple[Difference, DeviceRefused]] = []
        for one in rest:
            progress(f"{one.place} {one.what}")
            row = BY_NAME[one.what]
            body = m.Set(0, row.id, read_parameter(row, one.then))
            try:
                link.request(body, node=one.node, axis=ALL_AXES if one.axis == NODE else one.axis)
            except DeviceRefused as refused:
                again.append((one, refused))
        if len(again) == len(rest):
            raise CheckFailed(
                f"{again[0][0].what} of {again[0][0].place} could not be put back: {again[0][1]}; what came before it "
                "is in force, and `ringlet setup apply` goes on from there."
            )
        rest = [one for one, _ in again]
    for one in todo:
        if one.what == "marks":
            progress(f"{one.place} marks")
            _put_marks(link, one)
        elif one.what in TEXTS:
            progress(f"{one.place} {one.what}")
            put_text(link, one.node, one.axis, one.what, one.then)


def boards_of(setup: Setup, now: Setup) -> dict[int, list[int]]:
    """The boards of a set-up that are here: the axes of each, by address."""
    known = {node["id"] for node in setup["nodes"]}
    return {node["address"]: [one["axis"] for one in node["axes"]] for node in now["nodes"] if node["id"] in known}


def store(link: Link, boards: Iterable[int]) -> None:
    """Store what is in force on boards, their own settings too; to be called while `quiet`."""
    for address in boards:
        link.request(m.Save(0), node=address, axis=ALL_AXES)


def _put_marks(link: Link, one: Difference) -> None:
    from ringlet.tools.lens import transfer

    handle = link.axis(one.node, one.axis)
    if one.then is None:  # an empty table takes the old one away
        link.request(m.OpenMarks(0, 0, 0), node=one.node, axis=one.axis)
        link.request(m.CommitMarks(0, marks_check(())), node=one.node, axis=one.axis)
    else:
        transfer.upload(handle, _table_of(one.then))


def put_text(link: Link, node: int, axis: int, name: str, text: str) -> None:
    """Write a text of an axis: sent in parts, committed with its check value."""
    item = _ITEMS[name]
    parts = text_parts(text) if text else []
    for number, part in enumerate(parts):
        link.request(m.PutText(0, item << 4 | number, part), node=node, axis=axis)
    link.request(m.CommitText(0, item, len(parts), text_check(parts)), node=node, axis=axis)


# --- factory settings --------------------------------------------------------------------------------------------


def lost_to_factory(link: Link, node: int, axis: int) -> list[str]:
    """What `restore factory` takes away from an axis, a phrase each.

    The maker's own defaults cannot be asked for; the protocol's are named beside what is in force.
    """
    found = []
    for row in rows_of("axis"):
        count = link.request(m.Get(0, row.id), node=node, axis=axis).value
        if count != row.default:
            now, default = (f"{show_parameter(row, one)} {row.unit}".rstrip() for one in (count, row.default))
            found.append(f"{row.name} {now} (default {default})")
    marks = marks_of(link, node, axis)
    if marks is not None:
        found.append(f"{len(marks['table'])} {marks['kind']} marks")
    found += [f"{name} {text!r}" for name in TEXTS if (text := read_text(link, node, name, axis))]
    return found
