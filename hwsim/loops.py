"""Control of one axis as the board would run it: position and velocity loop and sensing at 1 kHz.

The current loop runs at 4 kHz inside `plant.plant_tick`, once per substep. Angles here are degrees of the ring as the
firmware knows them: encoder counts through the gear teeth in its settings, relative to power-up.
"""

from __future__ import annotations

import math
from collections.abc import MutableSequence, Sequence
from typing import NamedTuple

from ringlet.hwsim.kernel import kernel
from ringlet.hwsim.plant import (
    COAST,
    COPPER_PER_K,
    CURRENT,
    P_COUNTS,
    PLANT_PARAMETERS,
    PLANT_STATES,
    S_I,
    S_IINT,
    S_Q1,
    S_TC,
    S_VBRIDGE,
    TICK_S,
    plant_tick,
)

# Firmware parameters follow the plant's in the parameter vector.
(
    F_DEG_PER_COUNT, F_HALFCOMP, F_KP, F_KV, F_KI, F_KA, F_FRICTION, F_BAND,
    F_A_PER_NM, F_IPEAK, F_DERATE, F_WINDING_MAX, F_R20, F_CW, F_RWC, F_FILTER, F_SIGN, F_TURN,
) = range(PLANT_PARAMETERS, PLANT_PARAMETERS + 18)  # fmt: skip
PARAMETERS = PLANT_PARAMETERS + 18

# Firmware state follows the plant's in the state vector.
(
    S_COUNT, S_ZERO, S_POS, S_VEL, S_INTEGRAL, S_COMP, S_SIDE, S_ICMD, S_LIMITED, S_TWEST, S_ERROR, S_STALL_MS,
    S_LOSTATZERO, S_INDEXAT, S_TURN, S_DEADMS, S_DISTRUST,
    S_ENCDEAD, S_LOST, S_INDEXLOST,
) = range(PLANT_STATES, PLANT_STATES + 20)  # fmt: skip
S_INJECTED = S_ENCDEAD  # from here on: injected faults, which a power cycle does not clear
STATES = PLANT_STATES + 20

INDEX_TURNS = 1.5  # rotor turns without an index pulse after which the board no longer trusts the encoder
INDEX_COUNTS = 2.0  # counts that may be off at an index pulse
DEAD_MS = 20.0
DEAD_VOLTS = 1.5  # back-EMF that cannot come from a standing rotor


class DriveReading(NamedTuple):
    """What the firmware reads after a tick. Position and velocity are of the ring, from encoder counts and gear teeth,
    relative to power-up."""

    position_mdeg: float
    velocity_mdeg_s: float
    current_ma: float
    torque_mnm: float  # at the motor gear, estimated from the current
    winding_c: float  # the board's own estimate
    case_c: float
    supply_mv: float
    encoder_ok: bool
    torque_limited: bool
    following_error_mdeg: float
    stalled_ms: float  # time at the torque limit while standing


class BridgeReading(NamedTuple):
    """What a board measures whose loops run elsewhere: nothing of it is scaled by teeth or direction."""

    counts: int  # of the encoder, from anywhere
    current_ma: float  # of the motor
    case_c: float
    supply_mv: float
    encoder_ok: bool


COMP_TICKS = 20.0  # backlash take-up is spread over 20 ms so that it does not hit the gears
STALL_DEG_S = 0.5  # below this the axis counts as standing


@kernel
def control_tick(
    p: Sequence[float], s: MutableSequence[float], position: float, velocity: float, acceleration: float, torque: float
) -> float:
    """Position and velocity loop. Setpoint in deg, deg/s, deg/s2 of the ring (firmware's view), `torque` limit in Nm at
    the motor gear; returns the current command in A."""
    half = p[F_HALFCOMP]
    rate = 0.0
    if velocity > 0.0:
        s[S_SIDE] = 1.0
    elif velocity < 0.0:
        s[S_SIDE] = -1.0
    away = s[S_SIDE] * half - s[S_COMP]
    if away != 0.0:
        most = (2.0 * half if half > 0.0 else abs(away)) / COMP_TICKS
        rate = min(max(away, -most), most)
        s[S_COMP] += rate
        rate /= TICK_S

    error = position + s[S_COMP] - s[S_POS]
    s[S_ERROR] = error
    lag = velocity + rate + p[F_KP] * error - s[S_VEL]
    feed = p[F_KA] * acceleration
    if velocity > 0.0:
        feed += p[F_FRICTION]
    elif velocity < 0.0:
        feed -= p[F_FRICTION]
    wanted = feed + p[F_KV] * lag + s[S_INTEGRAL]

    # Current limit: board, torque limit, and derating by the estimated winding temperature.
    most = p[F_IPEAK]
    room = (p[F_WINDING_MAX] - s[S_TWEST]) / (p[F_WINDING_MAX] - p[F_DERATE])
    if room < 1.0:
        most *= max(room, 0.0)
    most = min(most, torque * p[F_A_PER_NM])
    command = min(max(wanted, -most), most)
    saturated = command != wanted

    # Anti-windup: integrate only away from the limit. Inside the band at rest the integral is held, which keeps
    # stiction from turning into a slow limit cycle.
    resting = velocity == 0.0 and abs(error) < p[F_BAND]
    if not resting and (not saturated or lag * wanted < 0.0):
        s[S_INTEGRAL] = min(max(s[S_INTEGRAL] + p[F_KI] * lag, -most), most)
    s[S_LIMITED] = 1.0 if saturated else 0.0
    if saturated and abs(s[S_VEL]) < STALL_DEG_S:
        s[S_STALL_MS] += 1.0
    else:
        s[S_STALL_MS] = 0.0
    command *= p[F_SIGN]  # from the firmware's direction to the motor's
    s[S_ICMD] = command
    return command


@kernel
def sense_tick(p: Sequence[float], s: MutableSequence[float]) -> None:
    """Read the encoder; update position, filtered velocity and the board's estimate of the winding temperature."""
    last = s[S_COUNT]
    if s[S_ENCDEAD] == 0.0:
        s[S_COUNT] = math.floor(s[S_Q1] * p[P_COUNTS] - s[S_LOST])
    s[S_POS] = (s[S_COUNT] - s[S_ZERO]) * p[F_DEG_PER_COUNT]
    s[S_VEL] += p[F_FILTER] * ((s[S_COUNT] - last) * p[F_DEG_PER_COUNT] / TICK_S - s[S_VEL])
    current = s[S_I]
    estimate = s[S_TWEST]
    heat = current * current * p[F_R20] * (1.0 + COPPER_PER_K * (estimate - 20.0))
    s[S_TWEST] = estimate + TICK_S / p[F_CW] * (heat - (estimate - s[S_TC]) / p[F_RWC])


@kernel
def axis_tick(
    p: Sequence[float],
    s: MutableSequence[float],
    enabled: bool,
    position: float,
    velocity: float,
    acceleration: float,
    torque: float,
    supply_v: float,
) -> None:
    """One 1 ms tick of an axis: loops, plant, sensing. Units as `control_tick`; `supply_v` is the bus voltage in V."""
    if enabled:
        command = control_tick(p, s, position, velocity, acceleration, torque)
        plant_tick(p, s, CURRENT, command, supply_v)
    else:
        s[S_INTEGRAL] = 0.0
        s[S_IINT] = 0.0
        s[S_ICMD] = 0.0
        s[S_LIMITED] = 0.0
        s[S_STALL_MS] = 0.0
        s[S_ERROR] = position + s[S_COMP] - s[S_POS]
        plant_tick(p, s, COAST, 0.0, supply_v)
    sense_tick(p, s)


@kernel
def check_encoder(p: Sequence[float], s: MutableSequence[float], last_count: float) -> None:
    """What a board can know about its encoder: index pulses that come at the wrong count or not at all, and counts that
    stand still while the winding's voltage says that the rotor turns. Distrust stays until a power cycle."""
    count = s[S_COUNT]
    turn = math.floor(s[S_Q1] * p[P_COUNTS] / p[F_TURN])
    if turn != s[S_TURN]:
        s[S_TURN] = turn
        if s[S_INDEXLOST] == 0.0:
            s[S_INDEXAT] = count
            if abs(s[S_LOST] - s[S_LOSTATZERO]) > INDEX_COUNTS:
                s[S_DISTRUST] = 1.0
    if abs(count - s[S_INDEXAT]) > INDEX_TURNS * p[F_TURN]:
        s[S_DISTRUST] = 1.0
    if count == last_count and abs(s[S_VBRIDGE] - p[F_R20] * s[S_I]) > DEAD_VOLTS:
        s[S_DEADMS] += 1.0
        if s[S_DEADMS] >= DEAD_MS:
            s[S_DISTRUST] = 1.0
    else:
        s[S_DEADMS] = 0.0


@kernel
def bridge_tick(
    p: Sequence[float], s: MutableSequence[float], on: bool, current: float, supply_v: float
) -> None:
    """One 1 ms tick of an axis whose position and velocity loop run elsewhere: `current` in A goes to the bridge's
    current loop, with `on` False the bridge is open. The board reads and checks the encoder all the same."""
    last_count = s[S_COUNT]
    if on:
        plant_tick(p, s, CURRENT, current, supply_v)
    else:
        s[S_IINT] = 0.0
        plant_tick(p, s, COAST, 0.0, supply_v)
    sense_tick(p, s)
    check_encoder(p, s, last_count)


@kernel
def drive_tick(
    p: Sequence[float],
    s: MutableSequence[float],
    enabled: bool,
    position_mdeg: float,
    velocity_mdeg_s: float,
    acceleration_mdeg_s2: float,
    torque_mnm: float,
    supply_v: float,
) -> DriveReading:
    """`axis_tick` with the board's encoder check, in the units of the firmware above."""
    last_count = s[S_COUNT]
    axis_tick(
        p,
        s,
        enabled,
        1e-3 * position_mdeg,
        1e-3 * velocity_mdeg_s,
        1e-3 * acceleration_mdeg_s2,
        1e-3 * torque_mnm,
        supply_v,
    )
    check_encoder(p, s, last_count)
    current = s[S_I] * p[F_SIGN]
    return DriveReading(
        1e3 * (s[S_POS] - s[S_COMP]),
        1e3 * s[S_VEL],
        1e3 * current,
        1e3 * current / p[F_A_PER_NM],
        s[S_TWEST],
        s[S_TC],
        1e3 * supply_v,
        s[S_DISTRUST] == 0.0,
        s[S_LIMITED] != 0.0,
        1e3 * s[S_ERROR],
        s[S_STALL_MS],
    )
