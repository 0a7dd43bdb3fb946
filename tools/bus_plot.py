"""A picture of worst-case latency against the number of motors, with the targets beside it."""

from __future__ import annotations

from pathlib import Path
from typing import Final

from ringlet.tools.bus_load import Budget, Plan, budget, with_motors
from ringlet.tools.palette import BLACK, BLUE, GREEN, GREY, SKY, VERMILION

MOTORS: Final = 16
SHOWN: Final = (
    ("stop", VERMILION, "o", "-"),
    ("setpoint", BLUE, "s", "--"),
    ("telemetry", GREEN, "^", "-."),
    ("answer", BLACK, "D", ":"),
)


def latencies(plan: Plan, most: int = MOTORS) -> list[Budget]:
    """Budgets of 1 to `most` motors, each with a node of its own."""
    return [budget(with_motors(plan, count)) for count in range(1, most + 1)]


def plot_latency(plan: Plan, path: Path, title: str, most: int = MOTORS) -> None:
    """Worst-case response of each group against motors, with its target, and the load; PNG, SVG or PDF."""
    from matplotlib.figure import Figure
    from matplotlib.ticker import LogFormatter, MaxNLocator

    budgets = latencies(plan, most)
    motors = list(range(1, most + 1))
    figure = Figure(figsize=(7.2, 6.6), dpi=150, layout="constrained")
    top, bottom = figure.subplots(2, 1, sharex=True, height_ratios=(3, 1))
    for group, colour, mark, style in SHOWN:
        times = [one.worst(group) for one in budgets]
        known = [(n, time) for n, time in zip(motors, times, strict=True) if time is not None]
        if not any(row.group == group for row in budgets[0].rows):
            continue
        name = group if known else f"{group}: no bound"
        places, waits = zip(*known, strict=True) if known else ((), ())
        top.plot(places, waits, color=colour, marker=mark, ls=style, ms=4.5, lw=1.4, label=name)
        top.axhline(plan.targets[group], color=colour, lw=0.9, ls=(0, (1, 2)))
        low = group in ("stop", "telemetry")  # so that neighbours do not cover each other
        top.annotate(
            f"target {group} {plan.targets[group]:g} ms", (1.0, plan.targets[group]),
            xycoords=("axes fraction", "data"), xytext=(-3, -2 if low else 2),
            textcoords="offset points", ha="right", va="top" if low else "bottom", fontsize=7,
            color=colour, bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.75, "pad": 0.6},
        )  # fmt: skip
        if known and len(known) < most:
            top.annotate(
                "no bound beyond", known[-1], xytext=(5, -9), textcoords="offset points", fontsize=7, color=colour
            )
    top.set_yscale("log")
    top.yaxis.set_major_formatter(lambda value, _: f"{value:g}")
    top.yaxis.set_minor_formatter(LogFormatter())
    top.set_ylabel("worst-case response (ms)")
    bottom.bar(motors, [100 * one.load for one in budgets], color=SKY, edgecolor=GREY, lw=0.6, width=0.7)
    bottom.axhline(100, color=VERMILION, lw=1.1, ls=(0, (7, 3)))
    bottom.annotate(
        "full", (0.0, 100), xycoords=("axes fraction", "data"), xytext=(3, 2), textcoords="offset points", fontsize=7,
        color=VERMILION, annotation_clip=False,
    )  # fmt: skip
    bottom.set_ylabel("load (%)")
    bottom.set_ylim(0, max(125.0, 105.0 * budgets[-1].load))
    bottom.set_xlabel("motors, each on a node of its own (grey: rigs of up to eight)")
    for axes in (top, bottom):
        axes.set_axisbelow(True)
        axes.grid(True, color="#dddddd", lw=0.6)
        axes.axvspan(0.4, 8.5, color=GREY, alpha=0.06, lw=0)
    bottom.xaxis.set_major_locator(MaxNLocator(integer=True))
    bottom.set_xlim(0.4, most + 0.6)
    figure.legend(*top.get_legend_handles_labels(), loc="outside lower center", ncols=4, fontsize=8.5, frameon=False)
    figure.suptitle(title, fontsize=10)
    figure.savefig(path)


