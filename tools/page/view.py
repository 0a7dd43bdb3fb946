"""What the page consists of. The scripts draw the live parts in the browser; dialogs ask before something happens."""

from __future__ import annotations

import json
from importlib.resources import files

from nicegui import ui

from ringlet.protocol.codes import ENUMS
from ringlet.protocol.states import STATES
from ringlet.tools import palette
from ringlet.tools.page import dialogs, pieces
from ringlet.tools.page.bench_thread import Bench
from ringlet.tools.page.jogs import DEAD_MAN, HEARTBEAT

SHOWN = ("BLUE", "SKY", "GREEN", "VERMILION", "ORANGE", "PURPLE")
SCRIPTS = ("page.js", "traces.js", "work.js")
"""One script in several files: they share their names."""


def make(bench: Bench) -> None:
    """Declare the page to NiceGUI."""

    @ui.page("/", title="Ringlet bench")
    def page() -> None:
        shot = bench.snapshot
        colours = "".join(f"--{name.lower()}:{getattr(palette, name)};" for name in SHOWN)
        ui.add_head_html(f"<style>:root{{{colours}}}\n{_text('page.css')}</style>")
        states = {state.name.lower(): rule.doc for state, rule in STATES.items()}
        settings = {
            "heartbeat": 1000 * HEARTBEAT, "dead": 1000 * DEAD_MAN, "states": states, "source": shot.source,
            "faults": {name: told for _, name, told in ENUMS["fault"]},
        }  # fmt: skip
        by_place = {(one.node, one.axis): one for one in shot.axes}
        pairs = [
            (by_place[left], by_place[right], bench.scales.get(left) if right in bench.scales else None)
            for left, right in bench.pairs
        ]
        folder = bench.keeping.folder.name if bench.keeping is not None else ""
        # One piece, so that the head may stick to the top of all of it.
        body = [pieces.head(shot.link), pieces.work(pairs, folder), '<div id="axes">']
        body += [pieces.card(one, bench.scales) for one in shot.axes]
        body += ["</div>", pieces.foot(), pieces.report()]
        ui.html("".join(body), sanitize=False)
        script = "\n".join(_text(name) for name in SCRIPTS)
        script = f"const SETTINGS = {json.dumps(settings)};\n{script}"
        ui.add_body_html(f'<script>"use strict";\n(() => {{\n{script}\n}})();</script>')
        dialogs.make(bench)


def _text(name: str) -> str:
    return files("ringlet.tools.page").joinpath(name).read_text(encoding="utf-8")
