"""Kept drawings as SVG for a page: text stays text, and every colour is a variable of the page's style sheet.

So a drawing follows the page into the dark, and onto paper. Lines differ by dash and points by shape, not by colour
alone.
"""

from __future__ import annotations

import io
import re
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from ringlet.tools.bench.result import Array, plain
from ringlet.tools.bench.run_folder import CurveData, PlotData
from ringlet.tools.palette import BLUE, GREEN, ORANGE, PURPLE, SKY, VERMILION

if TYPE_CHECKING:
    from matplotlib.axes import Axes

INK, FAINT = "#101112", "#d0d1d2"
"""Placeholders that become the page's ink and its faint lines."""
VARIABLES: Final = {
    INK: "ink", FAINT: "faint", SKY: "sky", BLUE: "blue", GREEN: "green", VERMILION: "vermilion", ORANGE: "orange",
    PURPLE: "purple",
}  # fmt: skip
SETPOINT: Final = (INK, 1.1, (0, (2, 1.5)))
"""Dotted and thin over what was measured, as in all our pictures."""
LINES: Final[tuple[tuple[str, float, Any], ...]] = (
    (SKY, 2.6, "-"), (GREEN, 1.6, (0, (6, 2))), (BLUE, 1.4, (0, (6, 1.5, 1, 1.5))),
    (PURPLE, 2.0, (0, (1, 1))), (ORANGE, 1.6, (0, (9, 3))),
)  # fmt: skip
POINTS: Final = ((BLUE, "o"), (ORANGE, "^"), (GREEN, "s"), (PURPLE, "D"), (INK, "x"), (SKY, "v"))
LIMIT: Final[Any] = {"color": VERMILION, "lw": 1.3, "ls": (0, (7, 3)), "zorder": 1.5}
SIZE: Final = (5.0, 3.4)
"""Inches; on a screen and on paper it is about as wide as a column."""


def svg(drawing: PlotData, ident: str) -> str:
    """One drawing as an `<svg>` element. `ident` is unique on the page: references inside carry it."""
    from matplotlib import rc_context
    from matplotlib.figure import Figure

    settings: Any = {
        "svg.fonttype": "none", "svg.hashsalt": ident, "font.size": 9, "axes.edgecolor": INK, "axes.linewidth": 0.6,
        "axes.labelcolor": INK, "text.color": INK, "xtick.color": INK, "ytick.color": INK, "axes.unicode_minus": True,
        "path.simplify_threshold": 0.2,
    }  # fmt: skip
    with rc_context(settings):
        figure = Figure(figsize=SIZE, layout="constrained")
        figure.patch.set_visible(False)
        axes = figure.subplots()
        axes.patch.set_visible(False)
        _draw(axes, drawing)
        handles, labels = axes.get_legend_handles_labels()
        if len(labels) > 1 or drawing.limits:
            figure.legend(handles, labels, loc="outside lower center", ncols=min(3, len(labels)), fontsize=8.5,
                          frameon=False, handlelength=2.6)  # fmt: skip
        text = io.StringIO()
        figure.savefig(text, format="svg", metadata={"Date": None, "Creator": None, "Format": None, "Type": None})
    return _for_page(text.getvalue(), drawing, ident)


def _draw(axes: Axes, drawing: PlotData) -> None:
    lines = points = 0
    for line in drawing.curves:
        x, y = _array(line.x), _array(line.y)
        if line.points:
            colour, mark = POINTS[points % len(POINTS)]
            points += 1
            axes.plot(x, y, mark, color=colour, ms=4.5, label=line.label, mfc="none" if mark in "sD" else colour)
        else:
            setpoint = line.label == "setpoint"
            colour, width, dash = SETPOINT if setpoint else LINES[lines % len(LINES)]
            lines += not setpoint
            above = 3.0 if setpoint else 2 + 0.01 * lines
            axes.plot(x, y, color=colour, lw=width, ls=dash, label=line.label, zorder=above)
    if drawing.log_x:
        axes.set_xscale("log")
        axes.xaxis.set_major_formatter(_plain_ticks)
        axes.xaxis.set_minor_formatter(_plain_ticks)
    axes.margins(x=0.02, y=0.09)
    for _, value in drawing.limits:
        axes.axhline(value, **LIMIT)
    low, high = axes.get_ylim()
    for label, value in drawing.limits:
        above = value < 0.5 * (low + high)  # on the side where there is room
        told = label if plain(value) in label else f"{label} {plain(value)}"
        axes.annotate(
            told, (1.0, value), xycoords=("axes fraction", "data"),
            xytext=(-3, 2 if above else -2), textcoords="offset points", ha="right",
            va="bottom" if above else "top", fontsize=8, color=VERMILION,
        )  # fmt: skip
    axes.set_xlabel(pretty(drawing.x_label))
    axes.set_ylabel(pretty(drawing.y_label))
    axes.set_axisbelow(True)
    axes.grid(True, color=FAINT, lw=0.5)


def _plain_ticks(value: float, _: Any) -> str:
    leading = round(value / 10 ** np.floor(np.log10(value)), 6)
    return f"{value:g}" if leading in (1, 2, 5) else ""


def _array(values: list[float | None]) -> Array:
    return np.array([np.nan if value is None else value for value in values], dtype=np.float64)


def pretty(text: str) -> str:
    """Powers in units as people write them: deg/s² for deg/s2, N·m for N.m."""
    text = re.sub(r"(?<=/s)([23])\b", lambda found: "²³"[int(found[1]) - 2], text)
    text = re.sub(r"(?<=\bm)2\b", "²", text)
    return re.sub(r"(?<=[a-zA-Z])\.(?=m\b|m²|s/)", "·", text)


def _for_page(text: str, drawing: PlotData, ident: str) -> str:
    text = text[text.index("<svg") :]
    text = re.sub(r"\s*<metadata>.*?</metadata>", "", text, flags=re.DOTALL)
    used = set(re.findall(r"(?:url\(#|href=\"#)([^)\"]+)", text))
    text = re.sub(r' id="([^"]+)"', lambda found: found[0] if found[1] in used else "", text)
    text = re.sub(r'(id="|url\(#|href="#)', rf"\g<1>{ident}-", text)
    text = re.sub(r"(\d+\.\d{2})\d+", r"\1", text)
    text = re.sub(r"font: ([\d.]+px) [^;\"]*", r"font-size: \1", text)
    for colour, name in VARIABLES.items():
        text = re.sub(re.escape(colour), f"var(--{name})", text, flags=re.IGNORECASE)
    width, height = (72 * inches for inches in SIZE)
    head = f'<svg viewBox="0 0 {width:g} {height:g}" role="img" aria-label="{_attribute(_spoken(drawing))}">'
    return re.sub(r"<svg[^>]*>", lambda _: head, text, count=1).strip()


def _spoken(drawing: PlotData) -> str:
    """What the drawing shows, for those who hear the page."""
    parts = [f"{drawing.title}: {drawing.y_label} against {drawing.x_label}"]
    parts += [_range(line) for line in drawing.curves]
    parts += [f"{label} at {plain(value)}" for label, value in drawing.limits]
    return "; ".join(parts)


def _range(line: CurveData) -> str:
    known = [value for value in line.y if value is not None]
    return f"{line.label}, {plain(min(known))} to {plain(max(known))}" if known else f"{line.label}, no values"


def _attribute(text: str) -> str:
    return text.replace("&", "&amp;").replace('"', "&quot;").replace("<", "&lt;")
