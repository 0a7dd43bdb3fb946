"""Torque against speed of a motor on a lens ring, with the load line, as a picture."""

from __future__ import annotations

from pathlib import Path

from ringlet.hwsim.cardfile import LensCard, MotorCard
from ringlet.hwsim.figures import TorqueSpeed, top_speed_deg_s, torque_speed
from ringlet.tools.palette import BLUE, GREEN, GREY, VERMILION


def plot_torque_speed(
    motor: MotorCard, lens: LensCard, path: Path, supply_v: float | None = None, ambient_c: float = 20.0
) -> TorqueSpeed:
    """Draw the picture to `path` (PNG, SVG or PDF by its suffix) and give the curves that it shows."""
    from matplotlib.figure import Figure

    curves = torque_speed(motor, lens, supply_v, ambient_c)
    speed = curves.speed_deg_s
    figure = Figure(figsize=(7.2, 5.0), dpi=150, layout="constrained")
    axes = figure.add_subplot()
    axes.plot(speed, curves.peak_mnm, color=BLUE, lw=2.0, label="peak torque (current, gearhead and supply limits)")
    axes.plot(speed, curves.lasting_mnm, color=GREEN, lw=2.0, ls="--", label="lasting torque (winding at its limit)")
    axes.fill_between(speed, curves.load_mnm, curves.load_most_mnm, color=VERMILION, alpha=0.25, lw=0)
    axes.plot(speed, curves.load_most_mnm, color=VERMILION, lw=2.0, ls="-.", label="ring, stiffest place of the travel")
    axes.plot(speed, curves.load_mnm, color=VERMILION, lw=1.2, ls=":", label="ring, mean of the travel")
    axes.plot([0.0], [curves.breakaway_mnm], "D", color=VERMILION, ms=7, clip_on=False, zorder=5, label="breakaway")
    top = top_speed_deg_s(curves)
    if top > 0.0:
        axes.axvline(top, color=GREY, lw=1.0, ls=(0, (1, 2)))
        axes.annotate(
            f"top speed {top:.0f} deg/s",
            (top, 0.98),
            xycoords=axes.get_xaxis_transform(),
            xytext=(-6, 0),
            textcoords="offset points",
            rotation=90,
            ha="right",
            va="top",
            color=GREY,
            bbox={"facecolor": "white", "edgecolor": "none", "pad": 1.5},
        )
    grease = ambient_c if lens.grease_temperature_c is None else lens.grease_temperature_c
    axes.set_title(
        f"Motor '{motor.name}' on lens ring '{lens.name}': supply {curves.supply_v:g} V, "
        f"room {ambient_c:g} °C, grease {grease:g} °C",
        fontsize=10,
    )
    axes.set_xlabel("ring speed (deg/s)")
    axes.set_ylabel("torque at the motor gear (mNm)")
    axes.set_xlim(0.0, float(speed[-1]))
    axes.set_ylim(0.0, 1.12 * max(float(max(curves.peak_mnm)), curves.breakaway_mnm))
    axes.grid(True, color="#dddddd", lw=0.6)
    figure.legend(*axes.get_legend_handles_labels(), loc="outside lower center", ncols=2, fontsize=8, frameon=False,
                  handlelength=3.0)  # fmt: skip
    figure.savefig(path)
    return curves
