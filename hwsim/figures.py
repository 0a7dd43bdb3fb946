"""Figures that follow from a motor card and a lens card together: what to know before the gears are cut.

Pure functions; formulas and sources stand beside them and on `hwsim/MODEL.md`. Torques are at the motor gear, angles
and speeds at the lens ring, unless a name says otherwise.
"""

from __future__ import annotations

import cmath
import math
from collections.abc import Callable
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from ringlet.hwsim import plant, plant_setup
from ringlet.hwsim.cardfile import LensCard, MotorCard
from ringlet.hwsim.drive import VELOCITY_FILTER, DriveSettings, default_settings

DIN_780_SERIES_1 = (
    0.05, 0.06, 0.08, 0.1, 0.12, 0.16, 0.2, 0.25, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0, 1.25, 1.5, 2.0, 2.5, 3.0, 4.0,
    5.0,
)  # fmt: skip
"""Gear modules in mm, DIN 780 part 1, first series, from memory and cut at 5 mm. ISO 54 begins at 1 mm."""


class Figure(NamedTuple):
    """One derived figure: what it is, its value and unit, and how it comes about."""

    name: str
    value: float
    unit: str
    how: str


class Margins(NamedTuple):
    """Stability of one loop: crossover in Hz, phase margin in degrees, gain margin as a factor (inf: no crossing)."""

    loop: str
    crossover_hz: float
    phase_margin_deg: float
    gain_margin: float


class TorqueSpeed(NamedTuple):
    """Curves over ring speed; every array has one length. Speeds in deg/s of the ring, torques in mNm at the gear."""

    speed_deg_s: NDArray[np.float64]
    peak_mnm: NDArray[np.float64]  # board's peak current, gearhead rating and supply voltage together
    lasting_mnm: NDArray[np.float64]  # what the winding stands for ever
    load_mnm: NDArray[np.float64]  # ring at the grease temperature, mean of the travel
    load_most_mnm: NDArray[np.float64]  # the stiffest place
    breakaway_mnm: float  # at the stiffest place, from rest
    supply_v: float
    ambient_c: float


def _tooth_ratio(motor: MotorCard, lens: LensCard) -> float:
    return lens.ring_teeth / motor.gear_teeth


def lasting_current_a(motor: MotorCard, ambient_c: float = 20.0) -> float:
    """Current at which the winding settles at its limit: (Tmax - Ta) = i^2 R(Tmax) (Rwc + Rca)."""
    hot = motor.resistance_ohm * (1.0 + plant.COPPER_PER_K * (motor.winding_max_c - 20.0))
    path = motor.winding_to_case_k_per_w + motor.case_to_ambient_k_per_w
    return math.sqrt(max(0.0, motor.winding_max_c - ambient_c) / (hot * path))


def thermal_time_constants_s(motor: MotorCard) -> tuple[float, float]:
    """Fast (winding) and slow (case) time constant of the two-body model."""
    a = 1.0 / motor.winding_to_case_k_per_w
    b = 1.0 / motor.case_to_ambient_k_per_w
    cw, cc = motor.winding_heat_capacity_j_per_k, motor.case_heat_capacity_j_per_k
    half = 0.5 * (a / cw + (a + b) / cc)
    root = math.sqrt(half * half - a * b / (cw * cc))
    return 1.0 / (half + root), 1.0 / (half - root)


def _gear_torque(motor: MotorCard, lens: LensCard, current_a: float, speed: float) -> float:
    """Torque in mNm at the motor gear that `current_a` drives at `speed` (rad/s of the ring), gearhead losses off."""
    p = plant_setup.plant_parameters(motor, lens)
    at_ring = motor.gearhead_efficiency * (p[plant.P_KT] * current_a - p[plant.P_FC1] - p[plant.P_C1] * speed)
    return 1e3 * at_ring / _tooth_ratio(motor, lens)


def torque_speed(
    motor: MotorCard, lens: LensCard, supply_v: float | None = None, ambient_c: float = 20.0, points: int = 200
) -> TorqueSpeed:
    """Torque against speed with the load line, winding at 20 degrees C for the peak and at its limit for ever."""
    volts = motor.supply_nominal_v if supply_v is None else supply_v
    p = plant_setup.plant_parameters(motor, lens)
    kt, r = p[plant.P_KT], p[plant.P_R20]
    top = volts / kt
    speed = np.linspace(0.0, top, points)
    by_voltage = (volts - kt * speed) / r
    current = np.minimum(by_voltage, motor.peak_current_a)
    peak = np.array([_gear_torque(motor, lens, i, w) for i, w in zip(current, speed, strict=True)])
    lasting = np.minimum(current, lasting_current_a(motor, ambient_c))
    lasting = np.array([_gear_torque(motor, lens, i, w) for i, w in zip(lasting, speed, strict=True)])
    peak = np.clip(peak, 0.0, motor.gearhead_max_torque_mnm)
    lasting = np.clip(lasting, 0.0, motor.gearhead_max_torque_mnm)

    cold = plant_setup.cold_factor(lens, ambient_c)
    table = p[plant.P_MAP :]
    mean, most = cold * float(np.mean(table)), cold * max(table)
    strength = p[plant.P_FC2] + (p[plant.P_FS2] - p[plant.P_FC2]) / (1.0 + (speed / p[plant.P_VS2]) ** 2)
    viscous = cold * p[plant.P_C2] * speed
    to_gear = 1e3 / _tooth_ratio(motor, lens)
    return TorqueSpeed(
        np.degrees(speed),
        peak,
        lasting,
        to_gear * (mean * strength + viscous),
        to_gear * (most * strength + viscous),
        to_gear * most * p[plant.P_FS2],
        volts,
        ambient_c,
    )


def top_speed_deg_s(curves: TorqueSpeed) -> float:
    """Ring speed at which the peak torque line meets the load line of the stiffest place; 0 when it cannot start."""
    room = curves.peak_mnm - curves.load_most_mnm
    if curves.peak_mnm[0] <= curves.breakaway_mnm:
        return 0.0
    below = np.nonzero(room <= 0.0)[0]
    if len(below) == 0:
        return float(curves.speed_deg_s[-1])
    n = int(below[0])
    if n == 0:
        return 0.0
    part = room[n - 1] / (room[n - 1] - room[n])
    return float(curves.speed_deg_s[n - 1] + part * (curves.speed_deg_s[n] - curves.speed_deg_s[n - 1]))


def crossing_time_s(motor: MotorCard, lens: LensCard, curves: TorqueSpeed) -> float:
    """Time to cross the travel from rest to rest on full current without a jerk limit, friction as the travel's mean.

    Speeding up, (J1 + J2/eta) dw/dt = M - F1 - F2/eta; slowing down, friction helps: (J1 + J2) dw/dt = -(M + F1 + F2).
    """
    if top_speed_deg_s(curves) <= 0.0:
        return math.inf
    p = plant_setup.plant_parameters(motor, lens)
    kt, j1, j2, eta = p[plant.P_KT], p[plant.P_J1], p[plant.P_J2], motor.gearhead_efficiency
    w = np.linspace(0.0, math.radians(float(curves.speed_deg_s[-1])), 2000)
    drive = kt * np.minimum((curves.supply_v - kt * w) / p[plant.P_R20], motor.peak_current_a)
    rotor = p[plant.P_FC1] + p[plant.P_C1] * w
    ring = np.interp(w, np.radians(curves.speed_deg_s), curves.load_mnm) * 1e-3 * _tooth_ratio(motor, lens)
    up = (drive - rotor - ring / eta) / (j1 + j2 / eta)
    w, ring, rotor, up = (column[up > 0.02 * up[0]] for column in (w, ring, rotor, up))
    if len(w) < 2:
        return math.inf
    # While braking the back-EMF adds to the supply, so the peak current holds at every speed.
    down = (kt * motor.peak_current_a + rotor + ring) / (j1 + j2)
    slow = 1.0 / up + 1.0 / down
    step = np.diff(w)
    time = np.concatenate(([0.0], np.cumsum(0.5 * (slow[1:] + slow[:-1]) * step)))
    way = np.degrees(np.concatenate(([0.0], np.cumsum(0.5 * ((w * slow)[1:] + (w * slow)[:-1]) * step))))
    if way[-1] >= lens.travel_deg:
        return float(np.interp(lens.travel_deg, way, time))
    return float(time[-1] + (lens.travel_deg - way[-1]) / math.degrees(w[-1]))


# --- loops ---------------------------------------------------------------------------------------------------------


def _two_mass(motor: MotorCard, lens: LensCard, rigid: bool) -> Callable[[complex], complex]:
    """Rotor speed over motor torque, both at the ring, in the Laplace variable; gears in contact, friction viscous."""
    p = plant_setup.plant_parameters(motor, lens)
    j1, j2 = p[plant.P_J1], p[plant.P_J2]
    c1, c2, k, cm = p[plant.P_C1], p[plant.P_C2], p[plant.P_K], p[plant.P_CM]

    def transfer(s: complex) -> complex:
        if rigid:
            return 1.0 / ((j1 + j2) * s + c1 + c2)
        load = j2 * s + c2
        mesh = k / s + cm
        return 1.0 / (j1 * s + c1 + mesh * load / (mesh + load))

    return transfer


def _velocity_parts(
    motor: MotorCard, lens: LensCard, settings: DriveSettings, rigid: bool
) -> tuple[Callable[[complex], complex], Callable[[complex], complex]]:
    """(forward, sensing) of the velocity loop: from velocity error to rotor speed, from rotor speed to measured."""
    p = plant_setup.plant_parameters(motor, lens)
    mechanics = _two_mass(motor, lens, rigid)
    tick, sub = plant.TICK_S, plant.SUBSTEP_S
    gain = math.degrees(1e-3 * settings.velocity_gain)  # A per rad/s
    alpha = 1.0 - math.exp(-VELOCITY_FILTER * tick)

    def hold(s: complex, time: float) -> complex:
        return (1.0 - cmath.exp(-s * time)) / (s * time)

    def forward(s: complex) -> complex:
        z = cmath.exp(s * tick)
        controller = gain * (1.0 + settings.velocity_integral * tick / (z - 1.0))
        zs = cmath.exp(s * sub)
        current = (1.0 - plant_setup.CURRENT_POLE) / (zs - plant_setup.CURRENT_POLE) * hold(s, sub) * zs
        return controller * hold(s, tick) * current * p[plant.P_KT] * mechanics(s)

    def sensing(s: complex) -> complex:
        # Counted speed is the mean over the last tick, then the filter.
        return hold(s, tick) * alpha / (1.0 - (1.0 - alpha) * cmath.exp(-s * tick))

    return forward, sensing


def _margins(name: str, loop: Callable[[complex], complex]) -> Margins:
    """Crossover and margins of an open loop up to half the sampling rate."""
    w = np.geomspace(0.5, 0.999 * math.pi / plant.TICK_S, 6000)
    response = np.array([loop(complex(0.0, x)) for x in w])
    size = np.abs(response)
    phase = np.unwrap(np.angle(response))
    # Bring the start of the phase into (-pi, pi], where it is known to be -90 to -180 degrees for these loops.
    phase -= 2.0 * math.pi * round((phase[0] + 0.5 * math.pi) / (2.0 * math.pi))
    crossover, margin = math.inf, math.inf
    for n in np.nonzero((size[:-1] >= 1.0) & (size[1:] < 1.0))[0]:
        here = 180.0 + math.degrees(float(phase[n]))
        if here < margin:
            crossover, margin = float(w[n]) / math.tau, here
    gain = math.inf
    for n in np.nonzero((phase[:-1] >= -math.pi) & (phase[1:] < -math.pi))[0]:
        gain = min(gain, 1.0 / float(size[n]))
    return Margins(name, crossover, margin, gain)


def margins(motor: MotorCard, lens: LensCard, settings: DriveSettings | None = None) -> list[Margins]:
    """Margins of the velocity and position loops with these settings (default: the rule of `default_settings`).

    Linear model: gears in contact, no Coulomb friction (which adds damping); sampling as a zero-order hold. Backlash
    lets go of the ring for moments; then the rotor alone is the plant, the line "rotor alone".
    """
    used = default_settings(motor, lens) if settings is None else settings
    forward, sensing = _velocity_parts(motor, lens, used, rigid=False)
    # The current loop has the rotor's speed in its feed-forward, so it sees no back-EMF.
    result = [_margins("velocity", lambda s: forward(s) * sensing(s))]
    p = plant_setup.plant_parameters(motor, lens)
    alone = (p[plant.P_J1] + p[plant.P_J2]) / p[plant.P_J1]
    stiff, sense = _velocity_parts(motor, lens, used, rigid=True)
    result.append(_margins("velocity, rotor alone in the play", lambda s: alone * stiff(s) * sense(s)))
    result.append(
        _margins("position", lambda s: used.position_gain * forward(s) / (1.0 + forward(s) * sensing(s)) / s)
    )
    return result


def mesh_resonance_hz(motor: MotorCard, lens: LensCard) -> float:
    """Rotor against ring on the mesh stiffness: sqrt(k (1/J1 + 1/J2)) / 2 pi."""
    p = plant_setup.plant_parameters(motor, lens)
    return math.sqrt(p[plant.P_K] * (1.0 / p[plant.P_J1] + 1.0 / p[plant.P_J2])) / math.tau


def cautions(motor: MotorCard, lens: LensCard, ambient_c: float = 20.0) -> list[str]:
    """What speaks against this pair, one sentence each."""
    said = []
    if motor.gear_module_mm != lens.gear_module_mm:
        said.append(
            f"Gear modules differ ({motor.gear_module_mm:g} and {lens.gear_module_mm:g} mm): these gears do not mesh."
        )
    said += [
        f"Module {m:g} mm is not in the first series of DIN 780 part 1 (from memory)."
        for m in sorted({motor.gear_module_mm, lens.gear_module_mm} - set(DIN_780_SERIES_1))
    ]
    curves = torque_speed(motor, lens, ambient_c=ambient_c)
    if curves.peak_mnm[0] <= curves.breakaway_mnm:
        said.append("The motor cannot break this ring loose: peak torque is below breakaway torque.")
    elif curves.peak_mnm[0] < 2.0 * curves.breakaway_mnm:
        said.append("Peak torque is less than twice the breakaway torque (common practice, no source, asks for two).")
    if curves.lasting_mnm[0] <= curves.load_most_mnm[0]:
        said.append("The winding overheats if the ring never rests: lasting torque is below the ring's friction.")
    if lens.stop_min_deg is None:
        said.append("The ring has no hard stops: set its travel by hand, never search for stops.")
    else:
        said.append("The motor can press on the stops: set the torque limit by the lens maker's instructions.")
    return said


def figures(
    motor: MotorCard, lens: LensCard, supply_v: float | None = None, ambient_c: float = 20.0
) -> list[Figure]:
    """The derived figures of a motor and a lens card together, in the order in which they are read."""
    ratio = plant_setup.gear_ratio(motor, lens)
    teeth = _tooth_ratio(motor, lens)
    kt_ring = 1e-3 * motor.torque_constant_mnm_per_a * ratio
    j1 = plant_setup.rotor_inertia_at_ring(motor, lens)
    j2 = lens.ring_inertia_gcm2 * 1e-7
    curves = torque_speed(motor, lens, supply_v, ambient_c)
    lasting = lasting_current_a(motor, ambient_c)
    fast, slow = thermal_time_constants_s(motor)
    settings = default_settings(motor, lens)
    found = [
        Figure("pitch diameter, motor gear", motor.gear_module_mm * motor.gear_teeth, "mm", "module x teeth"),
        Figure("pitch diameter, ring", lens.gear_module_mm * lens.ring_teeth, "mm", "module x teeth"),
        Figure("gear ratio, ring to motor gear", teeth, "", "ring teeth / motor gear teeth"),
        Figure("rotor turns per ring turn", ratio, "", "gearhead x gear ratio"),
        Figure("rotor inertia at the ring", j1 * 1e7, "g cm2", "rotor inertia x ratio squared"),
        Figure("ring inertia", j2 * 1e7, "g cm2", "lens card"),
        Figure("no-load ring speed", math.degrees(curves.supply_v / kt_ring), "deg/s",
                "supply / torque constant / ratio"),
        Figure("top ring speed under load", top_speed_deg_s(curves), "deg/s", "peak torque meets load, stiffest place"),
        Figure("time across the travel", crossing_time_s(motor, lens, curves), "s", "full current, no jerk limit"),
        Figure("peak torque at standstill", float(curves.peak_mnm[0]), "mNm", "at the motor gear"),
        Figure("breakaway torque", curves.breakaway_mnm, "mNm", "at the motor gear, stiffest place"),
        Figure("torque margin", float(curves.peak_mnm[0]) / curves.breakaway_mnm if curves.breakaway_mnm else math.inf,
               "x", "peak / breakaway"),
        Figure("lasting torque", float(curves.lasting_mnm[0]), "mNm", "winding settles at its limit"),
        Figure("lasting current", lasting, "A", "(Tmax - Ta) / (R Rth), root of"),
        Figure("thermal time constant, winding", fast, "s", "two-body model"),
        Figure("thermal time constant, case", slow, "s", "two-body model"),
        Figure("resolution", 360e3 / (motor.encoder_counts_per_rotor_turn * ratio), "mdeg/count", "ring"),
        Figure("lost motion", plant_setup.lost_motion_deg(motor, lens), "deg", "play of gears and gearhead"),
        Figure("mesh resonance", mesh_resonance_hz(motor, lens), "Hz", "rotor against ring"),
        Figure("position gain", settings.position_gain, "1/s", "default rule"),
        Figure("velocity gain", settings.velocity_gain, "mA per deg/s", "default rule"),
    ]  # fmt: skip
    for m in margins(motor, lens):
        found.append(Figure(f"{m.loop}: crossover", m.crossover_hz, "Hz", "open loop at 1"))
        found.append(Figure(f"{m.loop}: phase margin", m.phase_margin_deg, "deg", "at the crossover"))
        found.append(Figure(f"{m.loop}: gain margin", m.gain_margin, "x", "where the phase is -180 degrees"))
    return found
