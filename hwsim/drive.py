"""One simulated axis as the firmware above it sees it: it takes a setpoint each millisecond and reports back.

The drive joins the plant (`plant.py`), the board's loops (`loops.py`) and the node's supply. It keeps no state table
and no limits of travel: those belong to the node.
"""

from __future__ import annotations

import math
import random
from typing import Any, NamedTuple

from ringlet.hwsim import loops, plant, plant_setup
from ringlet.hwsim.cardfile import LensCard, MotorCard
from ringlet.hwsim.kernel import compiled
from ringlet.hwsim.loops import BridgeReading, DriveReading

__all__ = ["BridgeReading", "Drive", "DriveReading", "DriveSettings", "Faults", "Supply", "Truth", "default_settings"]


class DriveSettings(NamedTuple):
    """What the firmware of a drive is told about motor and lens, and its loop gains. Angles are at the lens ring."""

    motor_teeth: int
    ring_teeth: int
    direction: int  # +1 or -1
    encoder_counts: int  # per turn of the motor gear
    backlash_mdeg: float
    backlash_comp: bool
    position_gain: float  # 1/s
    velocity_gain: float  # mA per deg/s
    velocity_integral: float  # 1/s, integral over proportional gain
    inertia_feed: float  # mA per 1000 deg/s2
    friction_feed_ma: float
    rest_band_mdeg: float  # at rest the integral is held inside this error
    torque_mnm_per_a: float  # at the motor gear
    peak_current_ma: float
    derate_from_c: float
    winding_max_c: float
    resistance_mohm: float
    winding_heat_j_per_k: float
    winding_to_case_k_per_w: float


VELOCITY_CROSSOVER = 200.0  # rad/s
INTEGRAL_SHARE = 6.0  # crossover over integral corner
POSITION_SHARE = 5.0  # crossover over position gain
VELOCITY_FILTER = 600.0  # rad/s, first order, on the counted velocity
FRICTION_SHARE = 0.7  # of the Coulomb friction that the feed-forward gives; full compensation would hunt


def default_settings(motor: MotorCard, lens: LensCard) -> DriveSettings:
    """Settings and gains from the cards by the stated rule (`hwsim/MODEL.md`, "Control"; margins: `figures.py`).

    The velocity loop crosses over at VELOCITY_CROSSOVER on the inertia of rotor and ring together, its integral corner
    is INTEGRAL_SHARE below that, and the position gain POSITION_SHARE below.
    """
    ratio = plant_setup.gear_ratio(motor, lens)
    inertia = plant_setup.rotor_inertia_at_ring(motor, lens) + lens.ring_inertia_gcm2 * 1e-7
    nm_per_a = motor.torque_constant_mnm_per_a * 1e-3 * ratio
    a_per_deg_s2 = math.radians(inertia / nm_per_a)
    counts = round(motor.encoder_counts_per_rotor_turn * motor.gearhead_ratio)
    mdeg_per_count = 360e3 / counts * motor.gear_teeth / lens.ring_teeth
    friction_nm = motor.rotor_coulomb_mnm * 1e-3 * ratio + lens.coulomb_mnm * 1e-3
    return DriveSettings(
        motor_teeth=motor.gear_teeth,
        ring_teeth=lens.ring_teeth,
        direction=1,
        encoder_counts=counts,
        backlash_mdeg=1e3 * plant_setup.lost_motion_deg(motor, lens),
        backlash_comp=False,
        position_gain=VELOCITY_CROSSOVER / POSITION_SHARE,
        velocity_gain=1e3 * a_per_deg_s2 * VELOCITY_CROSSOVER,
        velocity_integral=VELOCITY_CROSSOVER / INTEGRAL_SHARE,
        inertia_feed=1e6 * a_per_deg_s2,
        friction_feed_ma=1e3 * FRICTION_SHARE * friction_nm / nm_per_a,
        rest_band_mdeg=max(5.0, 2.0 * mdeg_per_count),
        torque_mnm_per_a=motor.torque_constant_mnm_per_a * motor.gearhead_ratio * motor.gearhead_efficiency,
        peak_current_ma=1e3 * motor.peak_current_a,
        derate_from_c=motor.derate_from_c,
        winding_max_c=motor.winding_max_c,
        resistance_mohm=1e3 * motor.resistance_ohm,
        winding_heat_j_per_k=motor.winding_heat_capacity_j_per_k,
        winding_to_case_k_per_w=motor.winding_to_case_k_per_w,
    )


def firmware_parameters(settings: DriveSettings, gearhead_ratio: float) -> list[float]:
    """The firmware's part of the parameter vector (indices F_*), in order, in degrees, amperes, Nm and seconds."""
    f = [0.0] * (loops.PARAMETERS - plant.PLANT_PARAMETERS)
    base = plant.PLANT_PARAMETERS
    f[loops.F_DEG_PER_COUNT - base] = (
        settings.direction * 360.0 / settings.encoder_counts * settings.motor_teeth / settings.ring_teeth
    )
    f[loops.F_HALFCOMP - base] = 0.5e-3 * settings.backlash_mdeg if settings.backlash_comp else 0.0
    f[loops.F_KP - base] = settings.position_gain
    f[loops.F_KV - base] = 1e-3 * settings.velocity_gain
    f[loops.F_KI - base] = 1e-3 * settings.velocity_gain * settings.velocity_integral * plant.TICK_S
    f[loops.F_KA - base] = 1e-6 * settings.inertia_feed
    f[loops.F_FRICTION - base] = 1e-3 * settings.friction_feed_ma
    f[loops.F_BAND - base] = 1e-3 * settings.rest_band_mdeg
    f[loops.F_A_PER_NM - base] = 1e3 / settings.torque_mnm_per_a
    f[loops.F_IPEAK - base] = 1e-3 * settings.peak_current_ma
    f[loops.F_DERATE - base] = settings.derate_from_c
    f[loops.F_WINDING_MAX - base] = settings.winding_max_c
    f[loops.F_R20 - base] = 1e-3 * settings.resistance_mohm
    f[loops.F_CW - base] = settings.winding_heat_j_per_k
    f[loops.F_RWC - base] = settings.winding_to_case_k_per_w
    f[loops.F_FILTER - base] = 1.0 - math.exp(-VELOCITY_FILTER * plant.TICK_S)
    f[loops.F_SIGN - base] = float(settings.direction)
    f[loops.F_TURN - base] = float(settings.encoder_counts) / gearhead_ratio
    return f


CAPACITOR_UF = 2200.0
BOARD_A = 0.05
BROWNOUT_V = 9.0
BROWNOUT_BACK = 1.05


class Supply:
    """A source with internal resistance and the board's capacitor, shared by all axes of a node.

    Call `begin_tick` once a tick before the drives; each drive adds its mean current of that tick. Below `brownout_v`
    the bridges of all axes are off until the voltage is back 5 % above it.
    """

    def __init__(
        self,
        volts: float = 24.0,
        ohms: float = 0.15,
        *,
        capacitor_uf: float = CAPACITOR_UF,
        board_a: float = BOARD_A,
        brownout_v: float = BROWNOUT_V,
    ) -> None:
        self.volts = volts
        self.ohms = ohms
        self.capacitor_uf = capacitor_uf
        self.board_a = board_a
        self.brownout_v = brownout_v
        self.bus_v = volts
        self.drawn_a = 0.0
        self.browned_out = False
        self._decay_of: tuple[float, float] | None = None
        self._decay = 0.0

    def begin_tick(self) -> None:
        """Settle the bus voltage on what was drawn in the last tick and start counting anew."""
        key = (self.ohms, self.capacitor_uf)
        if key != self._decay_of:
            self._decay_of, self._decay = key, plant.supply_decay(*key)
        self.bus_v = plant.supply_tick(self.bus_v, self.volts, self.ohms, self._decay, self.drawn_a + self.board_a)
        self.drawn_a = 0.0
        if self.bus_v < self.brownout_v:
            self.browned_out = True
        elif self.bus_v > BROWNOUT_BACK * self.brownout_v:
            self.browned_out = False


class Truth:
    """Read-only view of what really happens in a drive, for tests and bench checks; no firmware may look."""

    def __init__(self, drive: Drive) -> None:
        self._drive = drive

    @property
    def _s(self) -> Any:
        return self._drive._s

    @property
    def _p(self) -> Any:
        return self._drive._p

    @property
    def ring_deg(self) -> float:
        """Mechanical angle of the ring, on the lens card's scale."""
        return math.degrees(self._s[plant.S_Q2])

    @property
    def ring_deg_s(self) -> float:
        """Speed of the ring."""
        return math.degrees(self._s[plant.S_W2])

    @property
    def rotor_deg(self) -> float:
        """Angle of the rotor seen at the ring (divided by the gear ratio)."""
        return math.degrees(self._s[plant.S_Q1])

    @property
    def rotor_deg_s(self) -> float:
        """Speed of the rotor seen at the ring."""
        return math.degrees(self._s[plant.S_W1])

    @property
    def current_a(self) -> float:
        """Winding current."""
        return float(self._s[plant.S_I])

    @property
    def mesh_torque_nm(self) -> float:
        """Torque that the gear mesh passes to the ring."""
        return float(self._s[plant.S_TMESH])

    @property
    def stop_torque_nm(self) -> float:
        """Torque of the end stop on the ring; positive at the upper stop."""
        return float(self._s[plant.S_TSTOP])

    @property
    def winding_c(self) -> float:
        """Winding temperature."""
        return float(self._s[plant.S_TW])

    @property
    def case_c(self) -> float:
        """Case temperature."""
        return float(self._s[plant.S_TC])

    @property
    def stops_deg(self) -> tuple[float, float] | None:
        """The hard stops of the ring, or None."""
        lens = self._drive.lens
        if lens.stop_min_deg is None or lens.stop_max_deg is None:
            return None
        return lens.stop_min_deg, lens.stop_max_deg

    @property
    def energy_in_j(self) -> float:
        """Electrical energy put into the winding since the start."""
        return float(self._s[plant.S_EIN])

    @property
    def losses_j(self) -> dict[str, float]:
        """Energy lost since the start, by place."""
        s = self._s
        return {
            "copper": float(s[plant.S_ECOPPER]),
            "rotor friction": float(s[plant.S_EROTOR]),
            "ring friction": float(s[plant.S_ERING]),
            "contacts": float(s[plant.S_ECONTACT]),
            "slip": float(s[plant.S_ESLIP]),
            "step": float(s[plant.S_ESTEP]),  # damped by the numerical method itself
        }

    @property
    def stored_j(self) -> float:
        """Energy held in masses, winding and springs now."""
        return plant.stored_energy_j(self._p, self._s)


class Faults:
    """Faults that a test or a demo injects into a drive; every one may be set and cleared at any tick."""

    def __init__(self, drive: Drive) -> None:
        self._drive = drive

    @property
    def index_lost(self) -> bool:
        """The encoder's index pulse no longer comes."""
        return bool(self._drive._s[loops.S_INDEXLOST])

    @index_lost.setter
    def index_lost(self, lost: bool) -> None:
        self._drive._s[loops.S_INDEXLOST] = float(lost)

    @property
    def counts_lost(self) -> float:
        """Encoder counts missed so far."""
        return float(self._drive._s[loops.S_LOST])

    @counts_lost.setter
    def counts_lost(self, counts: float) -> None:
        self._drive._s[loops.S_LOST] = float(counts)

    @property
    def encoder_dead(self) -> bool:
        """The encoder gives no counts any more."""
        return bool(self._drive._s[loops.S_ENCDEAD])

    @encoder_dead.setter
    def encoder_dead(self, dead: bool) -> None:
        self._drive._s[loops.S_ENCDEAD] = float(dead)

    @property
    def slip_torque_mnm(self) -> float | None:
        """Torque at the ring above which the motor gear slips on its shaft; None = it holds."""
        grip = float(self._drive._s[plant.S_SLIP])
        return None if grip >= plant.NEVER else 1e3 * grip

    @slip_torque_mnm.setter
    def slip_torque_mnm(self, torque: float | None) -> None:
        self._drive._s[plant.S_SLIP] = plant.NEVER if torque is None else 1e-3 * max(torque, 0.0)

    @property
    def ambient_c(self) -> float:
        """Temperature around motor and lens."""
        return float(self._drive._s[plant.S_TAMB])

    @ambient_c.setter
    def ambient_c(self, ambient: float) -> None:
        self._drive._s[plant.S_TAMB] = float(ambient)
        self._drive._s[plant.S_COLD] = plant_setup.cold_factor(self._drive.lens, ambient)

    @property
    def ring_blocked(self) -> bool:
        """The ring is held where it is, as by a cable caught in the gears."""
        return bool(self._drive._s[plant.S_BLOCK] > 0.0)

    @ring_blocked.setter
    def ring_blocked(self, blocked: bool) -> None:
        self._drive._s[plant.S_BLOCK] = 2000.0 if blocked else 0.0
        self._drive._s[plant.S_Z2] = 0.0


class Drive:
    """A motor on a lens ring with its board.

    `compile_kernel` takes the compiled path where numba is there; `kernel.worth_compiling(axes)` says when that pays.
    """

    def __init__(
        self,
        motor: MotorCard,
        lens: LensCard,
        settings: DriveSettings,
        supply: Supply,
        seed: int = 0,
        ring_start_deg: float | None = None,
        ambient_c: float = 20.0,
        *,
        compile_kernel: bool = False,
    ) -> None:
        self.motor = motor
        self.lens = lens
        self.supply = supply
        rng = random.Random(seed)
        if ring_start_deg is None:
            ring_start_deg = rng.uniform(lens.travel_min_deg, lens.travel_max_deg)
        self._tick = compiled(loops.drive_tick) if compile_kernel else loops.drive_tick
        self._bridge = compiled(loops.bridge_tick) if compile_kernel else loops.bridge_tick
        self._p: Any = plant_setup.plant_parameters(motor, lens) + [0.0] * (loops.PARAMETERS - plant.PLANT_PARAMETERS)
        self._s: Any = plant_setup.plant_state(ring_start_deg, ambient_c, plant_setup.cold_factor(lens, ambient_c))
        self._s += [0.0] * (loops.STATES - plant.PLANT_STATES)
        # The gears may lie anywhere in their play.
        self._s[plant.S_Q1] += rng.uniform(-1.0, 1.0) * self._p[plant.P_HALFLASH]
        if self._tick is not loops.drive_tick:
            import numpy

            self._p = numpy.array(self._p)
            self._s = numpy.array(self._s)
        self.truth = Truth(self)
        self.faults = Faults(self)
        self.settings = settings
        self.power_cycle()

    @property
    def settings(self) -> DriveSettings:
        """What the firmware is told; assigning takes effect at the next tick."""
        return self._settings

    @settings.setter
    def settings(self, settings: DriveSettings) -> None:
        self._settings = settings
        was = self._p[loops.F_SIGN]
        self._p[plant.PLANT_PARAMETERS :] = firmware_parameters(settings, self.motor.gearhead_ratio)
        if was == -settings.direction:
            # The motor goes on as it did: what the loop keeps in the ring's sense turns round with the ring's numbers.
            # The place is read in them at the end of the next tick; until then it stands as far on the other side of
            # the setpoint, which is still in the old ones.
            s = self._s
            s[loops.S_POS] += 2.0 * (s[loops.S_ERROR] - s[loops.S_COMP])
            for index in (loops.S_INTEGRAL, loops.S_VEL, loops.S_COMP, loops.S_SIDE):
                s[index] = -s[index]

    def power_cycle(self) -> None:
        """Lose what a board loses: loop state, encoder zero, temperature estimate. The physics goes on as it was."""
        s = self._s
        count = math.floor(s[plant.S_Q1] * self._p[plant.P_COUNTS] - s[loops.S_LOST])
        for index in range(plant.PLANT_STATES, loops.S_INJECTED):
            s[index] = 0.0
        s[plant.S_IINT] = 0.0
        s[loops.S_COUNT] = s[loops.S_ZERO] = float(count)
        s[loops.S_TWEST] = s[plant.S_TC]
        s[loops.S_INDEXAT] = float(count)
        s[loops.S_LOSTATZERO] = s[loops.S_LOST]
        s[loops.S_TURN] = math.floor(s[plant.S_Q1] * self._p[plant.P_COUNTS] / self._p[loops.F_TURN])

    def tick(
        self,
        enabled: bool,
        setpoint_mdeg: float,
        velocity_mdeg_s: float,
        acceleration_mdeg_s2: float,
        torque_limit_mnm: float,
    ) -> DriveReading:
        """Run the drive for 1 ms towards a setpoint of the ring (firmware's view: relative to power-up).

        `enabled` False opens the bridge, and the ring turns free by hand. `torque_limit_mnm` is at the motor gear.
        """
        supply = self.supply
        reading = self._tick(
            self._p,
            self._s,
            enabled and not supply.browned_out,
            1.0 * setpoint_mdeg,
            1.0 * velocity_mdeg_s,
            1.0 * acceleration_mdeg_s2,
            1.0 * torque_limit_mnm,
            supply.bus_v,
        )
        supply.drawn_a += self._s[plant.S_ISUPPLY]
        return reading

    def tick_bridge(self, on: bool, current_ma: float) -> BridgeReading:
        """Run the motor for 1 ms under a current, in its own sense: the loops of `tick` run elsewhere.

        `on` False opens the bridge. The current loop stays the board's.
        """
        supply, s = self.supply, self._s
        self._bridge(self._p, s, on and not supply.browned_out, 1e-3 * current_ma, supply.bus_v)
        supply.drawn_a += s[plant.S_ISUPPLY]
        return BridgeReading(
            int(s[loops.S_COUNT]), 1e3 * s[plant.S_I], s[plant.S_TC], 1e3 * supply.bus_v, s[loops.S_DISTRUST] == 0.0
        )

    def turn_by_hand(self, ring_deg: float) -> None:
        """Somebody turns the ring by `ring_deg` (against a stop: as far as it goes); the motor turns along."""
        s, p = self._s, self._p
        angle = s[plant.S_Q2] + math.radians(ring_deg)
        angle = min(max(angle, p[plant.P_STOPLO]), p[plant.P_STOPHI])
        step = angle - s[plant.S_Q2]
        s[plant.S_Q2] += step
        s[plant.S_Q1] += step
        for index in (plant.S_W1, plant.S_W2, plant.S_U1, plant.S_U2):
            s[index] = 0.0
        loops.sense_tick(p, s)
