"""CAN bit timings for a controller's clock: proposed by python-can, checked here.

Rules: ISO 11898-1 for the segments; a sample point near 87.5 % as CiA 301 recommends (from memory); the oscillator
tolerance after python-can's `BitTiming.oscillator_tolerance`, which names its source there.
"""

from __future__ import annotations

from typing import Any, Final, NamedTuple

from ringlet.tools.errors import UsageProblem

SAMPLE_POINT: Final = 87.5
SAMPLE_POINTS: Final = (87.5, 85.0, 80.0, 75.0)
"""What python-can is asked for, one after the other."""
SAMPLE_LOW, SAMPLE_HIGH = 75.0, 90.0
"""Where a sample point still counts as usual, %: common practice, no source."""
NODE_DELAY_NS: Final = 250.0
"""Transceiver and controller of one node, there and back (python-can's default; common practice)."""
LINE_NS_PER_M: Final = 5.0
"""Signal on a twisted pair: common practice."""
OSCILLATOR_LEAST: Final = 0.1
"""Oscillator tolerance below this, %, needs a better crystal than usual: common practice, no source."""


class Timing(NamedTuple):
    """One setting of a CAN controller."""

    prescaler: int
    tseg1: int
    """time quanta from the synchronisation segment to the sample point"""
    tseg2: int
    """time quanta after the sample point"""
    sjw: int
    """resynchronisation jump width"""
    sample_point: float
    """%"""
    oscillator: float
    """tolerance of the clocks at both ends, %"""
    line_m: float
    """longest line whose echo comes back before the sample point"""
    problems: tuple[str, ...]


def check(clock_hz: int, bitrate: int, prescaler: int, tseg1: int, tseg2: int, sjw: int, length_m: float) -> list[str]:
    """What is wrong with a setting, in words; empty when nothing is."""
    wrong = []
    quanta = 1 + tseg1 + tseg2
    if clock_hz != bitrate * prescaler * quanta:
        wrong.append(f"gives {clock_hz / (prescaler * quanta):.9g} bit/s")
    if not 8 <= quanta <= 25:
        wrong.append(f"has {quanta} time quanta a bit, not 8 to 25")
    if not 1 <= sjw <= min(4, tseg2):
        wrong.append(f"has a jump width of {sjw}, not 1 to {min(4, tseg2)}")
    point = 100 * (1 + tseg1) / quanta
    if not SAMPLE_LOW <= point <= SAMPLE_HIGH:
        wrong.append(f"samples at {point:.1f} %, not {SAMPLE_LOW:g} to {SAMPLE_HIGH:g} %")
    reach = longest_line(clock_hz, prescaler, tseg1, tseg2)
    if reach < length_m:
        wrong.append(f"is good for {max(0.0, reach):.0f} m of line, not {length_m:g} m")
    return wrong


def longest_line(clock_hz: int, prescaler: int, tseg1: int, tseg2: int) -> float:
    """Metres of line whose round trip, with both nodes' delays, fits into the propagation segment."""
    phase1 = min(tseg2, tseg1 - 1)
    propagation_ns = (tseg1 - phase1) * prescaler * 1e9 / clock_hz
    return (propagation_ns / 2 - NODE_DELAY_NS) / LINE_NS_PER_M


def propose(clock_hz: int, bitrate: int, *, length_m: float = 10.0) -> list[Timing]:
    """Settings of a controller with this clock, those without problems and near the usual sample point first.

    Raises UsageProblem when this clock cannot make the bit rate.
    """
    from can import BitTiming

    found: list[Timing] = []
    try:
        offered: dict[tuple[int, int, int], Any] = {
            (one.brp, one.tseg1, one.tseg2): one
            for point in SAMPLE_POINTS
            for one in BitTiming.iterate_from_sample_point(f_clock=clock_hz, bitrate=bitrate, sample_point=point)
        }
    except ValueError as error:
        raise UsageProblem(f"a clock of {clock_hz} Hz cannot be used ({error}); give another clock.") from None
    for one in offered.values():
        problems = check(clock_hz, bitrate, one.brp, one.tseg1, one.tseg2, one.sjw, length_m)
        oscillator = one.oscillator_tolerance(node_loop_delay_ns=NODE_DELAY_NS, bus_length_m=length_m)
        if oscillator < OSCILLATOR_LEAST:
            problems.append(f"needs clocks within {max(0.0, oscillator):.2f} %")
        reach = longest_line(clock_hz, one.brp, one.tseg1, one.tseg2)
        segments = (one.brp, one.tseg1, one.tseg2, one.sjw)
        found.append(Timing(*segments, one.sample_point, oscillator, reach, tuple(problems)))
    found.sort(key=lambda one: (len(one.problems), abs(one.sample_point - SAMPLE_POINT), -one.oscillator, -one.line_m))
    if not found:
        raise UsageProblem(
            f"a clock of {clock_hz / 1e6:g} MHz cannot make {bitrate} bit/s exactly; choose another clock or bit rate."
        )
    return found


def hertz(text: str) -> int:
    """A frequency as people write it: 80MHz, 8000kHz, 16000000. Raises UsageProblem."""
    plain = text.strip().lower().removesuffix("hz").strip()
    factor = {"k": 1_000, "m": 1_000_000}.get(plain[-1:], 1)
    try:
        value = float(plain[:-1] if factor > 1 else plain) * factor
    except ValueError:
        value = 0.0
    if not 1e6 <= value <= 1e9:
        raise UsageProblem(f"the clock is {text!r}; give the CAN controller's clock, 1 to 1000 MHz, such as 80MHz.")
    return round(value)
