"""`ringlet page`: the bench page in a browser."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from ringlet.tools import cli_common as common
from ringlet.tools.cli_common import JsonOption, LinkOption, SourceOption
from ringlet.tools.errors import LinkProblem, UsageProblem
from ringlet.tools.extras import need
from ringlet.tools.places import Place

EXPOSED = (
    "The page is reachable from the network: whoever has this address can move the motors. It travels in clear text; "
    "use it only on a network that you trust."
)
EVERYWHERE = ("0.0.0.0", "::")


def page(
    link: LinkOption = None,
    port: Annotated[int, typer.Option(min=0, max=65535, help="Port of the page; 0 takes a free one.")] = 8765,
    host: Annotated[
        str, typer.Option(metavar="ADDRESS", help="Expose the page at this address; it then needs --token.")
    ] = "127.0.0.1",
    token: Annotated[
        bool, typer.Option("--token", help="Make a token that every visitor must have; it is printed once.")
    ] = False,
    folder: Annotated[
        Path | None,
        typer.Option("--folder", metavar="DIR", help="Where takes and reports go; without it there are none."),
    ] = None,
    card: Annotated[
        list[str] | None,
        typer.Option("--card", metavar="AXIS=CARD", help="Lens marks of a ring: 16.0=focus-long, or a file. Repeat."),
    ] = None,
    pair: Annotated[
        list[str] | None,
        typer.Option("--pair", metavar="AXIS=AXIS", help="Two matched rings, as in 16.0=17.0. Repeat."),
    ] = None,
    show: Annotated[bool, typer.Option("--open", help="Open the page in this machine's browser.")] = False,
    source: SourceOption = 1,
    as_json: JsonOption = False,
) -> None:
    """Serve the bench page: all axes live, stop, jog by holding a button, moves in degrees and lens units, end stops,
    limits, traces, takes, measurements with their reports, matched pairs, hand-back guide.

    Nothing moves until somebody presses something. The page is bound to this machine; another device needs --host and
    --token. Takes and reports go into --folder and nowhere else. Lens marks are those of --card, else those on the
    motor. Ends with Ctrl-C, which stops what it drives.

    Examples: ringlet page --link sim:pair --folder bench; ringlet page --link can:socketcan:can0 --host 192.168.1.20
    --token; ringlet page --link serial:/dev/ttyUSB0 --card 16.0=my-lens.toml
    """
    need("page")
    if host not in ("127.0.0.1", "localhost", "::1") and not token:
        raise UsageProblem(f"--host {host} would let others move the motors; add --token to ask for one.")
    if not link:
        common.open_link(link, source)  # says that none is given
    import errno
    import os
    import secrets
    import socket

    try:
        family = socket.AF_INET6 if ":" in host else socket.AF_INET
        with socket.socket(family) as probe:
            if os.name == "posix":  # elsewhere it would take a port that is in use
                probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            probe.bind((host, port))
            port = probe.getsockname()[1]
    except OSError as error:
        if error.errno not in (errno.EADDRINUSE, errno.EACCES):
            raise UsageProblem(
                f"--host {host} is no address of this machine ({error.strerror}); give one that it has on that network."
            ) from None
        raise LinkProblem(f"port {port} at {host} cannot be used ({error.strerror}); choose another --port.") from None
    secret = secrets.token_urlsafe(24) if token else ""
    address = f"http://{f'[{host}]' if ':' in host else host}:{port}/" + (f"?token={secret}" if secret else "")

    from ringlet.tools.page.bench_thread import Bench
    from ringlet.tools.page.scales import place_of
    from ringlet.tools.page.server import serve

    cards: dict[Place, str] = {}
    for axis, name in (_halves(one, "--card", "16.0=focus-long") for one in card or ()):
        if cards.setdefault(place_of(axis), name) != name:
            raise UsageProblem(f"--card names two cards for axis {axis}; give one.")
    named = [(place_of(a), place_of(b)) for a, b in (_halves(one, "--pair", "16.0=17.0") for one in pair or ())]

    def ready() -> None:
        if as_json:
            kept = str(bench.keeping.folder) if bench.keeping is not None else None
            common.emit({"page": address, "link": link, "exposed": bool(token), "folder": kept})
            return
        typer.echo(f"The bench page is at {address} (Ctrl-C ends it).")
        if host in EVERYWHERE:
            common.note(f"{host} stands for every address of this machine: elsewhere, put one of them in its place.")
        if token:
            common.note(EXPOSED)

    common.note(common.CAUTION)
    with Bench(str(link), source=source, folder=folder, cards=cards, pairs=named) as bench:
        serve(bench, host, port, token=secret, ready=ready, browser=address if show else "")


def _halves(text: str, option: str, example: str) -> tuple[str, str]:
    left, mark, right = text.partition("=")
    if not (mark and left.strip() and right.strip()):
        raise UsageProblem(f"{option} is {text!r}; write it like {example}.")
    return left.strip(), right.strip()
