"""What other limits would do to a ramp: drawn before they are applied."""

from __future__ import annotations

from typing import Final

from ringlet.hwsim.ramp import Ramp, RampLimits
from ringlet.tools import palette

Limits = tuple[float, float, float, float]
"""velocity deg/s, acceleration deg/s2, deceleration deg/s2, jerk deg/s3"""
LONGEST: Final = 20.0
"""Seconds that are drawn at the most."""
EVERY: Final = 10
WIDTH, HEIGHT, EDGE = 560, 190, 30


def profile(limits: Limits, distance: float) -> list[tuple[float, float]]:
    """(s, deg/s) each 10 ms of a move over `distance` deg from rest. Raises ValueError for limits that cannot be."""
    velocity, up, down, jerk = (1000 * value for value in limits)
    ramp = Ramp(RampLimits(velocity, up, down, jerk))
    ramp.move(1000 * distance)
    points, tick = [(0.0, 0.0)], 0
    while not ramp.at_rest and tick < LONGEST / ramp.dt:
        ramp.tick()
        tick += 1
        if tick % EVERY == 0 or ramp.at_rest:
            points.append((tick * ramp.dt, ramp.velocity / 1000))
    return points


def picture(now: Limits, then: Limits, distance: float) -> str:
    """Both velocity profiles as SVG, with a sentence that says the same. Raises ValueError as `profile`."""
    before, after = profile(now, distance), profile(then, distance)
    span = max(before[-1][0], after[-1][0], 0.1)
    fastest, limits = max(v for _, v in (*before, *after)), max(now[0], then[0])
    high = 1.08 * limits if fastest > 0.4 * limits else 1.2 * fastest  # a far limit would flatten the curves

    def line(points: list[tuple[float, float]]) -> str:
        return " ".join(
            f"{EDGE + (WIDTH - 2 * EDGE) * t / span:.1f},{HEIGHT - EDGE - (HEIGHT - 2 * EDGE) * v / high:.1f}"
            for t, v in points
        )

    def limit(value: float, colour: str, dash: str) -> str:
        if value > high:
            return ""
        y = HEIGHT - EDGE - (HEIGHT - 2 * EDGE) * value / high
        return (
            f'<line x1="{EDGE}" x2="{WIDTH - EDGE}" y1="{y:.1f}" y2="{y:.1f}" '
            f'stroke="{colour}" stroke-dasharray="{dash}"/>'
        )

    told = (
        f"A move over {distance:g} deg takes {before[-1][0]:.2f} s now and {after[-1][0]:.2f} s then; "
        f"highest speed {max(v for _, v in before):.1f} and {max(v for _, v in after):.1f} deg/s."
    )
    return (
        f'<figure><svg viewBox="0 0 {WIDTH} {HEIGHT}" role="img" aria-label="{told}" class="preview">'
        f'<line x1="{EDGE}" x2="{WIDTH - EDGE}" y1="{HEIGHT - EDGE}" y2="{HEIGHT - EDGE}" stroke="currentColor"/>'
        f"{limit(now[0], palette.BLUE, '2 4')}{limit(then[0], palette.VERMILION, '8 4')}"
        f'<polyline points="{line(before)}" fill="none" stroke="{palette.BLUE}" stroke-width="2"/>'
        f'<polyline points="{line(after)}" fill="none" stroke="{palette.VERMILION}" stroke-width="3" '
        'stroke-dasharray="7 4"/>'
        f'<text x="{EDGE}" y="16" fill="currentColor">speed up to {high:.0f} deg/s; thin: velocity limits</text>'
        f'<text x="{WIDTH - EDGE}" y="{HEIGHT - 8}" text-anchor="end" fill="currentColor">{span:.2f} s</text>'
        f'<text x="{EDGE}" y="{HEIGHT - 8}" fill="currentColor">solid: now, dashed: then</text></svg>'
        f"<figcaption>{told}</figcaption></figure>"
    )
