"""`ringlet setup`: named set-ups of a whole rig, saved to files and put back."""

from __future__ import annotations

import sys
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from ringlet.tools import cli_common as common
from ringlet.tools.cli_common import ForceOption, JsonOption, LinkOption, NodeOption, SourceOption
from ringlet.tools.errors import CheckFailed, UsageProblem

if TYPE_CHECKING:
    from ringlet.tools.setups import Difference

app = typer.Typer(
    name="setup", help="Named set-ups: parameters, marks and texts of all axes.", no_args_is_help=True,
    rich_markup_mode=None, pretty_exceptions_enable=False,
)  # fmt: skip

NameArgument = Annotated[str, typer.Argument(metavar="NAME", help="Name of the set-up.")]
FolderOption = Annotated[
    Path | None,
    typer.Option("--folder", envvar="RINGLET_SETUPS", help="Where set-ups are kept; default: your data folder."),
]
YesOption = Annotated[bool, typer.Option("--yes", help="Do not ask.")]


def folder_of(given: Path | None) -> Path:
    """Where set-ups are kept."""
    return given if given is not None else Path(typer.get_app_dir("ringlet")) / "setups"


def _progress(as_json: bool) -> Callable[[str], None]:
    if as_json or not sys.stderr.isatty():
        return lambda text: None
    return lambda text: typer.echo(f"\r{text:<40}", nl=False, err=True)


@app.command()
def save(
    name: NameArgument,
    link: LinkOption = None,
    node: NodeOption = None,
    folder: FolderOption = None,
    replace: Annotated[bool, typer.Option("--replace", help="Put it in the place of one with this name.")] = False,
    note: Annotated[str, typer.Option(help="A sentence to keep with it.")] = "",
    source: SourceOption = 1,
    as_json: JsonOption = False,
) -> None:
    """Save what is in force on all axes under a name. Nothing changes on the motors.

    Example: ringlet setup save "long lens" --link can:socketcan:can0
    """
    from ringlet.tools import setups

    path = setups.path_of(folder_of(folder), name)
    if path.exists() and not replace:
        raise UsageProblem(f"there is a set-up {name!r} already; choose another name, or add --replace.")
    with common.open_link(link, source) as bus:
        made = setups.take(bus, common.nodes(bus, node), _progress(as_json))
    made |= {"name": name, "note": note, "saved": datetime.now(UTC).isoformat(timespec="seconds")}
    setups.write(path, made, replace)
    axes = sum(len(one["axes"]) for one in made["nodes"])
    if as_json:
        common.emit({"saved": name, "file": str(path), "nodes": len(made["nodes"]), "axes": axes})
    else:
        typer.echo(f"Saved {name!r}: {axes} axes on {len(made['nodes'])} boards, in {path}")


@app.command("list")
def list_(folder: FolderOption = None, as_json: JsonOption = False) -> None:
    """List the set-ups that are kept.

    Example: ringlet setup list
    """
    from ringlet.tools import setups, show

    place = folder_of(folder)
    found = setups.stored(place)
    if as_json:
        listed = []
        for name, one in found:
            about = one or {}
            boards = [node["id"] for node in about.get("nodes", ())]
            listed.append({"name": name, "readable": one is not None, "saved": about.get("saved"),
                           "note": about.get("note"), "boards": boards})  # fmt: skip
        common.emit({"folder": str(place), "setups": listed})
        return
    if not found:
        typer.echo(f"There are no set-ups in {place}; `ringlet setup save NAME` makes one.")
        return
    grid = show.table("set-up", "saved", "boards", "axes", "note", right=("boards", "axes"))
    for name, one in found:
        if one is None:
            grid.add_row(name, f"{show.BAD} cannot be read", "", "", "")
        else:
            axes = sum(len(node["axes"]) for node in one["nodes"])
            grid.add_row(name, str(one.get("saved", "")), str(len(one["nodes"])), str(axes), str(one.get("note", "")))
    common.console().print(grid)


@app.command("show")
def show_(name: NameArgument, folder: FolderOption = None, as_json: JsonOption = False) -> None:
    """Show what a set-up holds.

    Example: ringlet setup show "long lens"
    """
    from ringlet.protocol.params import BY_NAME
    from ringlet.tools import setups, show

    held = setups.read(setups.path_of(folder_of(folder), name))
    if as_json:
        common.emit(held)
        return
    screen = common.console()
    for node in held["nodes"]:
        for axis in node["axes"]:
            title = f"Axis {node['address']}.{axis['axis']} on board {node['id']}, {node['model']}"
            grid = show.table("what", "value", title=title, right=("value",))
            for what, value in axis["parameters"].items():
                grid.add_row(what, f"{value} {BY_NAME[what].unit}".rstrip())
            grid.add_row("marks", setups.summary(axis["marks"]))
            for what, text in axis["texts"].items():
                grid.add_row(what, text or "-")
            screen.print(grid)


@app.command()
def apply(
    name: NameArgument,
    link: LinkOption = None,
    folder: FolderOption = None,
    also: Annotated[
        list[str] | None,
        typer.Option("--also", metavar="travel|address", help="Put these back too; they are left otherwise."),
    ] = None,
    store: Annotated[bool, typer.Option("--save", help="Store it on the motors afterwards.")] = False,
    check: Annotated[bool, typer.Option("--check", help="Only show what would change.")] = False,
    yes: YesOption = False,
    force: ForceOption = False,
    source: SourceOption = 1,
    as_json: JsonOption = False,
) -> None:
    """Put a set-up back: what would change is shown first. Boards are told apart by their unique ids. Nothing moves.

    The travel is put back only with --also travel, and only rightly while ring positions have the same numbers as when
    it was saved: with a wrong travel a motor drives against the end of the lens. After an interruption, run it again.

    Examples: ringlet setup apply "long lens" --link can:socketcan:can0 --check; ringlet setup apply "long lens" --yes
    """
    from ringlet.tools import setups

    words = set(also or [])
    if words - setups.WORDS:
        known = " and ".join(sorted(setups.WORDS))
        raise UsageProblem(f"--also knows {known}, not {min(words - setups.WORDS)!r}.")
    held = setups.read(setups.path_of(folder_of(folder), name))
    with common.open_link(link, source) as bus:
        nodes = common.nodes(bus, None)
        now = setups.take(bus, nodes, _progress(as_json))
        found = setups.differences(held, now, words)
        todo = [one for one in found if not one.left]
        if not as_json:
            _say(found, name)
        applied = bool(todo) and not check and common.agreed(f"Change {len(todo)} settings?", yes)
        left: list[Difference] = []
        if applied and "travel" in words and any(one.what.startswith("travel") for one in todo):
            common.note(common.CAUTION)
        stored = False
        if applied or (store and not todo and not check):  # nothing to change is no reason not to store it
            boards = setups.boards_of(held, now)
            places = sorted({(one.node, one.axis) for one in todo if one.axis != setups.NODE})
            if store:  # a whole board at once, and while nobody else has a part of it
                places = sorted({*places, *((address, axis) for address, axes in boards.items() for axis in axes)})
            with setups.quiet(bus, places, force):
                setups.put_back(bus, todo, _progress(as_json))
                left = [one for one in setups.differences(held, setups.take(bus, nodes), words) if not one.left]
                if store and not left:
                    setups.store(bus, boards)
                    stored = True
        if as_json:
            common.emit({"setup": name, "differences": [one._asdict() for one in found], "applied": applied,
                         "not_taken": [one._asdict() for one in left], "stored": stored})  # fmt: skip
    if left:
        raise CheckFailed(f"{left[0].what} of {left[0].place} was written and reads differently; apply it again.")
    if applied and not as_json:
        kept = "" if store else " They are lost at power-off; the same with --save stores them."
        typer.echo(f"{len(todo)} settings are back as in {name!r}.{kept}")
    if stored and not as_json:
        typer.echo("What is in force on these boards is stored on the motors.")


def _say(found: list[Difference], name: str) -> None:
    from ringlet.tools import setups, show

    if not found:
        typer.echo(f"The rig is as in {name!r}; there is nothing to change.")
        return
    grid = show.table("where", "what", "now", f"in {name}", "", title="Differences", right=("now", f"in {name}"))
    for one in found:
        unit = f" {one.unit}".rstrip()
        grid.add_row(one.place, one.what, setups.summary(one.now) + unit, setups.summary(one.then) + unit,
                     f"{show.LIMIT} {one.left}" if one.left else "")  # fmt: skip
    common.console().print(grid)
    if any(setups.ends_calibration(one) for one in found if not one.left):
        typer.echo("What the ring position is counted by changes: the travel must be found again afterwards.")
