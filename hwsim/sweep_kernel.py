"""One row of a sweep: ramp, supply, loops and plant of one axis through a few moves, with what came out of it.

The same functions run a single row in plain Python and thousands of rows compiled (see `kernel.py`). The ramp is that
of `ramp.py`: its `step` runs here on plain numbers as it does in `ramp.Ramp`.
"""

from __future__ import annotations

from collections.abc import MutableSequence, Sequence
from typing import Any

from ringlet.hwsim import ramp
from ringlet.hwsim.kernel import kernel
from ringlet.hwsim.loops import S_ERROR, S_STALL_MS, axis_tick
from ringlet.hwsim.plant import S_EIN, S_I, S_ISUPPLY, S_Q2, S_TW, TICK_S, supply_tick

advance = kernel(ramp.advance)
stop_distance = kernel(ramp.stop_distance)
ramp_step = kernel(ramp.step)

# Command vector. Angles mdeg, as in the ramp; torque mNm at the motor gear.
(
    C_DISTANCE, C_VELOCITY, C_ACC, C_DEC, C_JERK, C_TORQUE, C_LEGS, C_DWELL, C_BAND,
    C_VOLTS, C_OHMS, C_DECAY, C_BOARD, C_BROWNOUT, C_BROWNOUT_BACK, C_START, C_NM_PER_A,
) = range(17)  # fmt: skip
COMMANDS = 17

# Run state: ramp, supply, legs; then the outcome.
(
    R_P, R_V, R_A, R_REST, R_BRAKING, R_LEG, R_TICKS, R_DWELT, R_BUS, R_OUT, R_PLACE,
    O_RAMP, O_SETTLE, O_OVERSHOOT, O_TORQUE, O_CURRENT, O_SQUARES, O_FOLLOWING, O_FINAL, O_LOST, O_SUPPLY, O_HOTTEST,
    O_STALL, O_BROWNOUTS, O_TIME, O_FINISHED, O_ENERGY, O_UNSETTLED,
) = range(28)  # fmt: skip
RUN_STATES = 28

MDEG_PER_RAD = 180e3 / 3.141592653589793


@kernel
def run_axis(
    p: Sequence[float], s: MutableSequence[float], c: Sequence[float], r: MutableSequence[float], most_ticks: int
) -> None:
    """Run the moves of one row to their end, at most `most_ticks` ms."""
    legs = int(c[C_LEGS])
    dwell = c[C_DWELL]
    band = c[C_BAND]
    start = c[C_START]
    browned = False
    for _ in range(most_ticks):
        leg = int(r[R_LEG])
        if leg >= legs:
            r[O_FINISHED] = 1.0
            break
        target = c[C_DISTANCE] if leg % 2 == 0 else 0.0
        sign = 1.0 if (target > 0.0) == (c[C_DISTANCE] > 0.0) else -1.0
        if c[C_DISTANCE] < 0.0:
            sign = -sign

        r[R_BUS] = supply_tick(r[R_BUS], c[C_VOLTS], c[C_OHMS], c[C_DECAY], s[S_ISUPPLY] + c[C_BOARD])
        if r[R_BUS] < c[C_BROWNOUT]:
            if not browned:
                r[O_BROWNOUTS] += 1.0
            browned = True
        elif r[R_BUS] > c[C_BROWNOUT_BACK]:
            browned = False

        resting = r[R_P] == target and r[R_V] == 0.0 and r[R_A] == 0.0
        if not resting:
            position, velocity, acceleration, rest, braking = ramp_step(
                r[R_P],
                r[R_V],
                r[R_A],
                r[R_REST],
                r[R_BRAKING] != 0.0,
                target,
                c[C_VELOCITY],
                TICK_S,
                c[C_ACC],
                c[C_DEC],
                c[C_JERK],
            )
            r[R_P] = position
            r[R_V] = velocity
            r[R_A] = acceleration
            r[R_REST] = rest
            r[R_BRAKING] = 1.0 if braking else 0.0
            if leg == 0:
                r[O_RAMP] += TICK_S
        axis_tick(
            p,
            s,
            not browned,
            1e-3 * r[R_P],
            1e-3 * r[R_V],
            1e-3 * r[R_A],
            1e-3 * c[C_TORQUE],
            r[R_BUS],
        )

        r[R_TICKS] += 1.0
        r[O_TIME] += TICK_S
        away = MDEG_PER_RAD * s[S_Q2] - start - target
        if abs(away) > band:
            r[R_OUT] = r[R_TICKS]
        r[O_OVERSHOOT] = max(r[O_OVERSHOOT], sign * away)
        current = abs(s[S_I])
        r[O_CURRENT] = max(r[O_CURRENT], current)
        r[O_SQUARES] += current * current
        r[O_TORQUE] = max(r[O_TORQUE], current * c[C_NM_PER_A])
        r[O_FOLLOWING] = max(r[O_FOLLOWING], abs(s[S_ERROR]))
        r[O_SUPPLY] = min(r[O_SUPPLY], r[R_BUS])
        r[O_HOTTEST] = max(r[O_HOTTEST], s[S_TW])
        r[O_STALL] = max(r[O_STALL], s[S_STALL_MS])
        r[O_ENERGY] = s[S_EIN]
        if resting:
            r[R_DWELT] += 1.0
            if r[R_DWELT] >= dwell:
                # Leg over: settled means inside the band from here to the end of the dwell.
                if r[R_OUT] == r[R_TICKS]:
                    r[O_UNSETTLED] += 1.0
                r[O_SETTLE] = max(r[O_SETTLE], r[R_OUT] * TICK_S)
                r[O_FINAL] = max(r[O_FINAL], abs(away))
                # Out and back see the ring on opposite sides of the play.
                if leg > 0:
                    r[O_LOST] = max(r[O_LOST], abs(away - r[R_PLACE]))
                r[R_PLACE] = away
                r[R_LEG] += 1.0
                r[R_TICKS] = 0.0
                r[R_DWELT] = 0.0
                r[R_OUT] = 0.0


@kernel
def run_rows(p: Any, s: Any, c: Any, r: Any, most_ticks: int) -> None:
    """Run every row of a batch; each argument holds one row an axis."""
    for row in range(len(p)):
        run_axis(p[row], s[row], c[row], r[row], most_ticks)
