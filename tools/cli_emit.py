"""`ringlet emit`: write what is derived from the tables of the protocol to a folder."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from ringlet.tools.cli_common import JsonOption
from ringlet.tools.cli_common import emit as print_json
from ringlet.tools.errors import UsageProblem

app = typer.Typer(name="emit", add_completion=False, pretty_exceptions_enable=False)


@app.command("emit")
def emit(
    target: Annotated[
        str, typer.Argument(help="c, firmware, dbc, dissector, reference, vectors; or all, each in its own folder.")
    ],
    out: Annotated[Path, typer.Option("--out", help="Folder to write to; it is made when it is not there.")],
    force: Annotated[bool, typer.Option("--force", help="Overwrite files that were changed by hand, too.")] = False,
    as_json: JsonOption = False,
) -> None:
    """Write firmware code, a bus database, a dissector, reference pages or test vectors from the protocol's tables.

    The same version of the protocol gives the same bytes. A file that was changed by hand is kept unless forced.

    Examples: ringlet emit c --out firmware/ringlet; ringlet emit dbc --out .; ringlet emit all --out build
    """
    from ringlet.tools import emit_files

    try:
        written = emit_files.emit(target, out, force)
    except emit_files.EmitError as error:
        raise UsageProblem(str(error)) from None
    if as_json:
        print_json({"target": target, "files": [{"path": str(path), "bytes": path.stat().st_size} for path in written]})
        return
    for path in written:
        typer.echo(f"{path}  {path.stat().st_size} bytes")
