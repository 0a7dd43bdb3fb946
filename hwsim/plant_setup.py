"""From motor card and lens card to the plant's parameter vector and a state at rest. Equations: `hwsim/MODEL.md`."""

from __future__ import annotations

import math
from functools import lru_cache

from ringlet.hwsim.cardfile import LensCard, MotorCard
from ringlet.hwsim.plant import (
    MAP_POINTS,
    NEVER,
    P_C1,
    P_C2,
    P_CM,
    P_COUNTS,
    P_CS,
    P_D1,
    P_D2,
    P_FC1,
    P_FC2,
    P_FS1,
    P_FS2,
    P_HALFLASH,
    P_IKI,
    P_IKP,
    P_J1,
    P_J2,
    P_K,
    P_KS,
    P_KT,
    P_L,
    P_LOADLOSS,
    P_MAP,
    P_MAPINV,
    P_MAPX0,
    P_R20,
    P_SIGMA1,
    P_SIGMA2,
    P_STOPHI,
    P_STOPLO,
    P_TA11,
    P_TA22,
    P_TB11,
    P_TB22,
    P_THETA,
    P_VS1,
    P_VS2,
    PLANT_PARAMETERS,
    PLANT_STATES,
    S_COLD,
    S_Q1,
    S_Q2,
    S_SLIP,
    S_TAMB,
    S_TC,
    S_TW,
    SUBSTEP_S,
    THETA,
    TICK_S,
)


def gear_ratio(motor: MotorCard, lens: LensCard) -> float:
    """Rotor turns per ring turn: gearhead times ring teeth over motor-gear teeth."""
    return motor.gearhead_ratio * lens.ring_teeth / motor.gear_teeth


def rotor_inertia_at_ring(motor: MotorCard, lens: LensCard) -> float:
    """Rotor inertia seen at the ring in kg m2: times the ratio squared."""
    return motor.rotor_inertia_gcm2 * 1e-7 * gear_ratio(motor, lens) ** 2


def lost_motion_deg(motor: MotorCard, lens: LensCard) -> float:
    """Play between encoder and ring in degrees of the ring: gear mesh plus gearhead."""
    return lens.mesh_backlash_deg + motor.gearhead_backlash_deg * motor.gear_teeth / lens.ring_teeth


def cold_factor(lens: LensCard, ambient_c: float) -> float:
    """Friction at the grease temperature over friction at 20 degrees C, exponential between the card's two points."""
    grease_c = ambient_c if lens.grease_temperature_c is None else lens.grease_temperature_c
    return float(lens.friction_factor_at_minus_20c ** ((20.0 - grease_c) / 40.0))


def thermal_step(motor: MotorCard, seconds: float) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Exact step of the two-body thermal model for constant heat: (A, B) row by row, so that the temperatures above
    ambient [winding, case] become A times themselves plus B times the heat in W into [winding, case]."""
    a = 1.0 / motor.winding_to_case_k_per_w
    b = 1.0 / motor.case_to_ambient_k_per_w
    cw = motor.winding_heat_capacity_j_per_k
    cc = motor.case_heat_capacity_j_per_k
    m11, m12, m21, m22 = -a / cw, a / cw, a / cc, -(a + b) / cc
    # Both eigenvalues are real, negative and apart (the off-diagonal product is positive): Sylvester's formula.
    mean = 0.5 * (m11 + m22)
    root = math.sqrt((0.5 * (m11 - m22)) ** 2 + m12 * m21)
    fast, slow = mean - root, mean + root
    ef, es = math.exp(fast * seconds), math.exp(slow * seconds)
    g = (es - ef) / (slow - fast)
    k = (slow * ef - fast * es) / (slow - fast)
    step = (k + g * m11, g * m12, g * m21, k + g * m22)
    # B = M^-1 (A - 1) C^-1, with expm1 so that a 1 ms step of a slow body keeps its digits.
    gs, gf = math.expm1(slow * seconds) / slow, math.expm1(fast * seconds) / fast
    gg = (gs - gf) / (slow - fast)
    kk = (slow * gf - fast * gs) / (slow - fast)
    gain = ((kk + gg * m11) / cw, gg * m12 / cc, gg * m21 / cw, (kk + gg * m22) / cc)
    return step, gain


@lru_cache(maxsize=4096)
def stop_damping(stiffness: float, inertia: float, restitution: float) -> float:
    """Damping of an end stop in Nm s/rad that gives the wanted restitution at the plant's own step.

    Spring and dashpot that let go when their torque has fallen to zero (closed form: Schwager and Poeschel,
    "Coefficient of restitution and linear-dashpot model revisited", Granular Matter 2007, from memory). Backward Euler
    damps by itself, so the bisection runs on the stepped contact; a stop too stiff for the step gets no damper and
    bounces less than its card says.
    """
    stepped = math.sqrt(stiffness / inertia) * SUBSTEP_S
    critical = 2.0 * math.sqrt(stiffness * inertia)

    def rebound(zeta: float) -> float:
        if stepped < 0.02:  # no difference, and a long contact
            if zeta >= 1.0:
                return 0.0
            root = math.sqrt(1.0 - zeta * zeta)
            angle = math.pi - math.atan2(2.0 * zeta * root, 1.0 - 2.0 * zeta * zeta)
            return math.exp(-zeta / root * angle)
        damping = zeta * critical
        stiff = stiffness * SUBSTEP_S + damping
        # The dashpot acts from damping / stiffness before the stop; begin free of it, half a step off as the mean case.
        place, speed = -(damping / stiffness + 1.5 * SUBSTEP_S), 1.0
        for _ in range(2000):
            after = speed
            if stiffness * place + stiff * speed > 0.0:
                after = (inertia / SUBSTEP_S * speed - stiffness * place) / (inertia / SUBSTEP_S + stiff)
                if stiffness * place + stiff * after <= 0.0:
                    after = speed
            place += SUBSTEP_S * after
            speed = after
            if speed < 0.0 and stiffness * place + stiff * speed <= 0.0:
                return -speed
        return 0.0

    low, high = 0.0, 1.0
    for _ in range(24):
        middle = 0.5 * (low + high)
        if rebound(middle) > restitution:
            low = middle
        else:
            high = middle
    return low * critical


def _bristle_damping(stiffness: float, inertia: float) -> float:
    return 2.0 * 0.3 * math.sqrt(stiffness * inertia)


def plant_parameters(motor: MotorCard, lens: LensCard) -> list[float]:
    """The plant's parameter vector (indices P_*) for a motor on a lens."""
    ratio = gear_ratio(motor, lens)
    p = [0.0] * PLANT_PARAMETERS
    j1 = p[P_J1] = rotor_inertia_at_ring(motor, lens)
    # A ring without inertia is allowed; the floor is 0.1 g cm2, a thousandth of the lightest real ring.
    j2 = p[P_J2] = max(lens.ring_inertia_gcm2 * 1e-7, 1e-8)
    p[P_KT] = motor.torque_constant_mnm_per_a * 1e-3 * ratio
    p[P_R20] = motor.resistance_ohm
    p[P_L] = motor.inductance_mh * 1e-3

    p[P_FC1] = motor.rotor_coulomb_mnm * 1e-3 * ratio
    p[P_FS1] = motor.rotor_breakaway_mnm * 1e-3 * ratio
    p[P_VS1] = math.radians(lens.stribeck_deg_per_s)
    p[P_C1] = motor.rotor_viscous_mnm_per_krpm * 1e-3 / (1000.0 * math.tau / 60.0) * ratio**2
    p[P_SIGMA1] = p[P_FS1] * ratio / math.radians(motor.rotor_presliding_deg)
    p[P_D1] = _bristle_damping(p[P_SIGMA1], j1)
    p[P_LOADLOSS] = 1.0 / motor.gearhead_efficiency - 1.0

    p[P_FC2] = lens.coulomb_mnm * 1e-3
    p[P_FS2] = lens.breakaway_mnm * 1e-3
    p[P_VS2] = math.radians(lens.stribeck_deg_per_s)
    p[P_C2] = lens.viscous_mnm_s_per_rad * 1e-3
    p[P_SIGMA2] = p[P_FS2] / math.radians(lens.presliding_deg)
    p[P_D2] = _bristle_damping(p[P_SIGMA2], j2)

    k = p[P_K] = lens.mesh_stiffness_nm_per_rad
    reduced = j1 * j2 / (j1 + j2)
    p[P_CM] = 2.0 * 0.1 * math.sqrt(k * reduced)
    p[P_HALFLASH] = math.radians(lost_motion_deg(motor, lens)) / 2.0
    ks = p[P_KS] = lens.stop_stiffness_nm_per_rad
    p[P_STOPLO] = -NEVER if lens.stop_min_deg is None else math.radians(lens.stop_min_deg)
    p[P_STOPHI] = NEVER if lens.stop_max_deg is None else math.radians(lens.stop_max_deg)
    p[P_CS] = stop_damping(ks, j2, lens.stop_restitution)

    step, gain = thermal_step(motor, TICK_S)
    p[P_TA11 : P_TA22 + 1] = step
    p[P_TB11 : P_TB22 + 1] = gain

    travel = math.radians(lens.travel_deg)
    p[P_MAPX0] = math.radians(lens.travel_min_deg)
    p[P_MAPINV] = (MAP_POINTS - 1) / travel
    table = lens.torque_over_travel
    for point in range(MAP_POINTS):
        place = point * (len(table) - 1) / (MAP_POINTS - 1)
        low = min(int(place), max(0, len(table) - 2))
        high = min(low + 1, len(table) - 1)
        p[P_MAP + point] = table[low] + (place - low) * (table[high] - table[low])

    # Soft modes keep second-order accuracy; a mode too stiff for the step is damped instead of followed.
    fastest = math.sqrt(max(k / reduced, p[P_SIGMA1] / j1, p[P_SIGMA2] / j2))
    p[P_THETA] = THETA if fastest * SUBSTEP_S <= 0.5 else 1.0

    p[P_IKP], p[P_IKI] = current_gains(motor)
    p[P_COUNTS] = motor.encoder_counts_per_rotor_turn * ratio / math.tau
    return p


CURRENT_POLE = 0.4  # of the closed current loop, per 0.25 ms: 0.27 ms time constant


def current_gains(motor: MotorCard) -> tuple[float, float]:
    """Proportional (V/A) and integral (V/A per substep) gain of the current loop.

    Pole placement with the winding's exact discrete model i' = E i + (1 - E)/R v, E = exp(-h R/L): the controller's
    zero cancels E, and the closed loop is one pole at CURRENT_POLE (internal model control: Morari and Zafiriou,
    Robust Process Control, 1989, from memory).
    """
    r = motor.resistance_ohm
    inductance = motor.inductance_mh * 1e-3
    decay = math.exp(-SUBSTEP_S * r / inductance) if inductance > 0.0 else 0.0
    return r * (1.0 - CURRENT_POLE) / (1.0 - decay), r * (1.0 - CURRENT_POLE)


def plant_state(ring_deg: float, ambient_c: float, cold: float) -> list[float]:
    """A state vector at rest (indices S_*)."""
    s = [0.0] * PLANT_STATES
    s[S_Q1] = s[S_Q2] = math.radians(ring_deg)
    s[S_TW] = s[S_TC] = s[S_TAMB] = ambient_c
    s[S_COLD] = cold
    s[S_SLIP] = NEVER
    return s
