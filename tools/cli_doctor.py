"""`ringlet doctor`: what is here, what is missing, and the next step in words."""

from __future__ import annotations

import sys

import typer

from ringlet.tools import cli_common as common
from ringlet.tools.cli_common import JsonOption, LinkOption

MARKS = {"good": ("✓", "ok", "green"), "note": ("·", "note", "yellow"), "bad": ("✗", "BAD", "red")}
"""The mark of a state, the word where it cannot be shown, and the colour."""
STEP = ("→", "->")


def plain(encoding: str) -> bool:
    """Whether the marks would all become question marks."""
    try:
        "".join((*(mark for mark, _, _ in MARKS.values()), STEP[0])).encode(encoding)
    except (UnicodeEncodeError, LookupError):
        return True
    return False


def doctor(link: LinkOption = None, as_json: JsonOption = False) -> None:
    """Say what is installed, which ports and adapters are there, whether something answers, and what to do next.

    Nothing moves. With --link the link is opened and asked who is there. Where nobody answers, a serial line is
    listened to at the usual rates, and asked at them if it is silent; a CAN adapter only listens.

    Examples: ringlet doctor; ringlet doctor --link 'serial:/dev/ttyUSB0?baud=115200'
    """
    from ringlet.tools.doctor import BAD, looks, platform_note

    found = looks(link)
    if as_json:
        common.emit({"findings": [one._asdict() for one in found]})
    else:
        from rich.table import Table
        from rich.text import Text

        table = Table(box=None, show_header=False, padding=(0, 1))
        words = plain(sys.stdout.encoding or "ascii")
        for one in found:
            mark, word, colour = MARKS[one.state]
            said = Text(one.text)
            if one.next:
                said.append(f"\n{STEP[words]} {one.next}", style="bold")
            table.add_row(Text(word if words else mark, style=colour), one.topic, said)
        common.console().print(table)
        if platform_note():
            common.note(platform_note())
    if any(one.topic in ("link", "packages", "ringlet") and one.state == BAD for one in found):
        raise typer.Exit(3 if link else 2)
