"""`ringlet page`: the bench page in a browser."""

from __future__ import annotations

from typing import Annotated

import typer

from ringlet.tools import cli_common as common
from ringlet.tools.cli_common import JsonOption, LinkOption, SourceOption
from ringlet.tools.errors import LinkProblem, UsageProblem

EXPOSED = (
    "The page is reachable from the network: whoever has this address can move the motors. It travels in clear text; "
    "use it only on a network that you trust."
)


def page(
    link: LinkOption = None,
    port: Annotated[int, typer.Option(min=0, max=65535, help="Port of the page; 0 takes a free one.")] = 8765,
    host: Annotated[
        str, typer.Option(metavar="ADDRESS", help="Expose the page at this address; it then needs --token.")
    ] = "127.0.0.1",
    token: Annotated[
        bool, typer.Option("--token", help="Make a token that every visitor must have; it is printed once.")
    ] = False,
    show: Annotated[bool, typer.Option("--open", help="Open the page in this machine's browser.")] = False,
    source: SourceOption = 1,
    as_json: JsonOption = False,
) -> None:
    """Serve the bench page: all axes live, stop, jog by holding a button, moves, end stops, limits, traces.

    Nothing moves until somebody presses something. The page is bound to this machine; another device needs --host and
    --token. Ends with Ctrl-C, which stops what it drives.

    Examples: ringlet page --link sim:trio; ringlet page --link can:socketcan:can0 --host 192.168.1.20 --token
    """
    from importlib.util import find_spec

    if find_spec("nicegui") is None:
        raise UsageProblem("the page needs the library 'nicegui'; install it with: pip install 'ringlet[page]'.")
    if host not in ("127.0.0.1", "localhost", "::1") and not token:
        raise UsageProblem(f"--host {host} would let others move the motors; add --token to ask for one.")
    if not link:
        common.open_link(link, source)  # says that none is given
    import secrets
    import socket

    try:
        family = socket.AF_INET6 if ":" in host else socket.AF_INET
        with socket.socket(family) as probe:
            probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            probe.bind((host, port))
            port = probe.getsockname()[1]
    except OSError as error:
        raise LinkProblem(f"port {port} at {host} cannot be used ({error.strerror}); choose another --port.") from None
    secret = secrets.token_urlsafe(24) if token else ""
    address = f"http://{f'[{host}]' if ':' in host else host}:{port}/" + (f"?token={secret}" if secret else "")

    from ringlet.tools.page.bench_thread import Bench
    from ringlet.tools.page.server import serve

    def ready() -> None:
        if as_json:
            common.emit({"page": address, "link": link, "exposed": bool(token)})
            return
        typer.echo(f"The bench page is at {address} (Ctrl-C ends it).")
        if token:
            common.note(EXPOSED)

    common.note(common.CAUTION)
    with Bench(str(link), source=source) as bench:
        serve(bench, host, port, token=secret, ready=ready, browser=address if show else "")
