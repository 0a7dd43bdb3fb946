"""What the lens commands share: a lens as options, lengths with units, names of axes and pictures."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from ringlet.tools import cli_common as common
from ringlet.tools.errors import UsageProblem
from ringlet.tools.files import check_target

if TYPE_CHECKING:
    from ringlet.tools.lens.field import Optics

FocalOption = Annotated[str, typer.Option("--focal", metavar="MM", help="Focal length, e.g. 50mm.")]
StopOption = Annotated[str, typer.Option("--stop", metavar="T", help="T-stop, e.g. T2.")]
CocOption = Annotated[str, typer.Option("--coc", metavar="MM", help="Circle of confusion, e.g. 0.025mm.")]
TransmissionOption = Annotated[
    float, typer.Option("--transmission", help="Light that the glass lets through, 0 to 1; T-stop to f-number.")
]
PlotOption = Annotated[Path | None, typer.Option("--plot", help="Picture (PNG, SVG, PDF).")]


def picture(path: Path) -> None:
    """Refuse a name that is no picture, or lies in no folder, before the work is done. Raises UsageProblem."""
    if path.suffix not in (".png", ".svg", ".pdf"):
        raise UsageProblem(f"{path} is no name for a picture; end it in .png, .svg or .pdf.")
    check_target(path, "drawn")


def finite(value: float) -> float | str:
    """A number for JSON, which has no infinity: that is the text `inf`; a mark past infinity is `past inf`."""
    if math.isfinite(value):
        return value
    return "inf" if value > 0 else "past inf"


def length_mm(text: str, option: str) -> float:
    """A length in mm, from `50`, `50mm` or `6 cm`. Raises UsageProblem."""
    word = text.strip().lower()
    for ending, factor in (("mm", 1.0), ("cm", 10.0), ("m", 1000.0)):
        if word.endswith(ending):
            return factor * common.number(word.removesuffix(ending).strip(), option, ending)
    return common.number(word, option, "mm")


def optics_of(focal: str, stop: str, coc: str, transmission: float) -> Optics:
    """The lens that the options describe. Raises UsageProblem."""
    from ringlet.tools.lens.field import optics
    from ringlet.tools.lens.values import parse

    return optics(length_mm(focal, "--focal"), parse(stop, "stop").value, length_mm(coc, "--coc"), transmission)
