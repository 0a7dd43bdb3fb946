"""The plant by itself: energy audit, stability for every allowed card, backlash, stops, friction, heat."""

from __future__ import annotations

import math
import random

import numpy as np
import pytest

from ringlet.hwsim import plant, plant_setup
from ringlet.hwsim.cardfile import LensCard, MotorCard, load_lens, load_motor, shipped_lenses, shipped_motors, vary
from ringlet.hwsim.kernel import compiled

Vector = list[float]


def lost_j(s: Vector) -> float:
    accounts = (plant.S_ECOPPER, plant.S_EROTOR, plant.S_ERING, plant.S_ECONTACT, plant.S_ESLIP, plant.S_ESTEP)
    return sum(s[account] for account in accounts)


def without_friction(motor: MotorCard, lens: LensCard) -> tuple[MotorCard, LensCard]:
    motor = vary(
        motor,
        {"rotor_coulomb_mnm": 0, "rotor_breakaway_mnm": 0, "rotor_viscous_mnm_per_krpm": 0, "gearhead_efficiency": 1},
    )
    return motor, vary(lens, {"coulomb_mnm": 0, "breakaway_mnm": 0, "viscous_mnm_s_per_rad": 0})


@pytest.mark.parametrize("motor_name", shipped_motors())
@pytest.mark.parametrize("lens_name", shipped_lenses())
def test_energy_audit_on_every_shipped_pair(motor_name: str, lens_name: str) -> None:
    """Electrical input = stored + lost within 0.1 % through reversals and hard runs into the stops; no account of
    losses ever falls, and the numerical method takes less than 5 %."""
    motor, lens = load_motor(motor_name), load_lens(lens_name)
    p = plant_setup.plant_parameters(motor, lens)
    s = plant_setup.plant_state(lens.travel_min_deg + 5.0, 20.0, plant_setup.cold_factor(lens, 20.0))
    start = plant.stored_energy_j(p, s)
    lowest = 0.0
    reached = []
    for tick in range(3000):
        before = list(s)
        command = motor.peak_current_a * (0.5 if tick // 500 % 2 else -0.5)
        plant.plant_tick(p, s, plant.CURRENT, command, motor.supply_nominal_v)
        reached.append(math.degrees(s[plant.S_Q2]))
        for account in (plant.S_ECOPPER, plant.S_EROTOR, plant.S_ERING, plant.S_ECONTACT, plant.S_ESTEP):
            lowest = min(lowest, s[account] - before[account])
    given = s[plant.S_EIN] + start
    rest = given - plant.stored_energy_j(p, s) - lost_j(s)
    assert given > 1.0
    assert abs(rest) < 0.001 * given
    assert lowest > -1e-4 * given
    assert s[plant.S_ESTEP] < 0.05 * given
    if lens.stop_min_deg is not None:
        assert lens.stop_min_deg - 5.0 < min(reached) < lens.stop_min_deg


def _random_pair(rng: random.Random) -> tuple[MotorCard, LensCard]:
    def spread(low: float, high: float, zero: float = 0.0) -> float:
        return 0.0 if rng.random() < zero else math.exp(rng.uniform(math.log(low), math.log(high)))

    friction = spread(0.01, 60, 0.2)
    motor = MotorCard(
        name="any",
        supply_nominal_v=24,
        resistance_ohm=spread(0.05, 500),
        inductance_mh=spread(1e-3, 100, 0.2),
        torque_constant_mnm_per_a=spread(0.5, 500),
        rotor_inertia_gcm2=spread(0.01, 5000),
        rotor_coulomb_mnm=friction,
        rotor_breakaway_mnm=friction * rng.choice([1.0, 1.3, 3.0]),
        rotor_viscous_mnm_per_krpm=spread(0.001, 100, 0.2),
        rotor_presliding_deg=spread(0.01, 90),
        gearhead_ratio=spread(1, 1000),
        gearhead_efficiency=rng.uniform(0.21, 1),
        gearhead_backlash_deg=spread(0.01, 10, 0.3),
        gear_teeth=rng.randint(8, 200),
        encoder_counts_per_rotor_turn=1024,
        peak_current_a=spread(0.1, 100),
        gearhead_max_torque_mnm=1000,
        winding_heat_capacity_j_per_k=spread(0.5, 100),
        winding_to_case_k_per_w=spread(0.1, 20),
        case_heat_capacity_j_per_k=spread(1, 1000),
        case_to_ambient_k_per_w=spread(0.1, 50),
        derate_from_c=90,
        winding_max_c=120,
    )
    ring_friction = spread(0.1, 3000, 0.2)
    stops = rng.random() < 0.7
    lens = LensCard(
        name="any",
        role="focus",
        travel_min_deg=0,
        travel_max_deg=spread(5, 400),
        stop_min_deg=-1 if stops else None,
        stop_max_deg=401 if stops else None,
        stop_stiffness_nm_per_rad=spread(0.1, 1e7),
        stop_restitution=rng.choice([0.05, 0.3, 1.0]),
        ring_teeth=rng.randint(8, 1000),
        ring_inertia_gcm2=spread(0.1, 1e6, 0.2),
        coulomb_mnm=ring_friction,
        breakaway_mnm=ring_friction * rng.choice([1.0, 1.5, 3.0]),
        viscous_mnm_s_per_rad=spread(0.01, 5000, 0.2),
        stribeck_deg_per_s=spread(0.01, 1000),
        presliding_deg=spread(0.001, 5),
        torque_over_travel=tuple(2.0 * rng.random() for _ in range(5)),
        mesh_backlash_deg=spread(0.001, 10, 0.3),
        mesh_stiffness_nm_per_rad=spread(0.1, 1e7),
    )
    return motor, lens


def test_every_allowed_card_is_stable_and_makes_no_energy() -> None:
    """Over the whole range of the cards (no play, no ring inertia, stops and mesh up to 1e7 Nm/rad), with the bridge
    open, driven by voltage and by current in turn, the state stays finite and the energy audit closes within 1 %."""
    rng = random.Random(5)
    tick = compiled(plant.plant_tick)
    seen_zero_play = seen_zero_inertia = seen_stiff_stop = 0
    for _ in range(150):
        motor, lens = _random_pair(rng)
        p = np.array(plant_setup.plant_parameters(motor, lens))
        s = np.array(plant_setup.plant_state(rng.uniform(0.0, lens.travel_max_deg), 20.0, 1.0))
        if rng.random() < 0.2:
            s[plant.S_SLIP] = math.exp(rng.uniform(math.log(1e-3), math.log(10.0)))
        seen_zero_play += p[plant.P_HALFLASH] == 0.0
        seen_zero_inertia += lens.ring_inertia_gcm2 == 0.0
        seen_stiff_stop += lens.stop_min_deg is not None and lens.stop_stiffness_nm_per_rad > 1e6
        most = 1e-12
        for count in range(600):
            if count % 60 == 0:
                mode = rng.choice([plant.COAST, plant.CURRENT, plant.VOLTAGE])
                command = rng.uniform(-1, 1) * (motor.peak_current_a if mode == plant.CURRENT else 24.0)
            tick(p, s, mode, command, 24.0)
            most = max(most, plant.stored_energy_j(p, s))
        assert np.isfinite(s).all(), (motor, lens)
        rest = s[plant.S_EIN] - plant.stored_energy_j(p, s) - lost_j(list(s))
        passed = max(most, abs(s[plant.S_EIN]), s[plant.S_ECOPPER])
        assert abs(rest) < 0.01 * passed, (motor, lens)
    assert min(seen_zero_play, seen_zero_inertia, seen_stiff_stop) >= 5


def test_lost_motion_is_the_play_of_the_cards() -> None:
    motor, lens = load_motor("medium"), load_lens("focus-long")
    p = plant_setup.plant_parameters(motor, lens)
    s = plant_setup.plant_state(100.0, 20.0, 1.0)

    def turn(current: float) -> float:
        for _ in range(150):
            plant.plant_tick(p, s, plant.CURRENT, current, 24.0)
        for _ in range(400):
            plant.plant_tick(p, s, plant.CURRENT, 0.0, 24.0)
        return math.degrees(s[plant.S_Q1] - s[plant.S_Q2])

    gap = turn(0.4) - turn(-0.4)
    want = plant_setup.lost_motion_deg(motor, lens)
    assert want == pytest.approx(0.10 + 0.4 * 40 / 134)
    # Contact ends where the teeth lie on each other with the torque that friction holds, or just before.
    assert gap == pytest.approx(want, rel=0.1)


@pytest.mark.parametrize("restitution", [0.1, 0.3, 0.5])
@pytest.mark.parametrize("lens_name", ["focus-long", "iris", "zoom"])
def test_a_ring_bounces_off_its_stop_with_the_cards_restitution(lens_name: str, restitution: float) -> None:
    motor, lens = without_friction(load_motor("medium"), load_lens(lens_name))
    lens = vary(lens, {"stop_restitution": restitution, "mesh_backlash_deg": 9.9})
    p = plant_setup.plant_parameters(motor, lens)
    found = []
    for part in range(8):  # the stop is met at different moments of a step
        assert lens.stop_max_deg is not None
        s = plant_setup.plant_state(lens.stop_max_deg - 0.5 - 0.01 * part, 20.0, 1.0)
        s[plant.S_W2] = s[plant.S_U2] = 3.0
        hit = False
        for _ in range(30):
            plant.plant_tick(p, s, plant.COAST, 0.0, 24.0)
            hit = hit or s[plant.S_TSTOP] != 0.0
            if s[plant.S_W2] < 0.0 and s[plant.S_MSTOP] == 0.0:
                break
        assert hit
        found.append(-s[plant.S_W2] / 3.0)
    assert np.mean(found) == pytest.approx(restitution, abs=0.06)
    assert max(found) < 1.0


def test_friction_holds_slides_and_needs_more_to_break_loose() -> None:
    """A constant torque below breakaway leaves the ring where it is; breakaway is larger than the sliding friction."""
    motor, lens = without_friction(load_motor("medium"), load_lens("zoom"))
    motor = vary(motor, {"gearhead_backlash_deg": 0})
    lens = vary(load_lens("zoom"), {"viscous_mnm_s_per_rad": 0, "mesh_backlash_deg": 0})
    lens = lens.model_copy(update={"torque_over_travel": (1.0,)})
    p = plant_setup.plant_parameters(motor, lens)
    per_amp = p[plant.P_KT]

    def moved(torque: float, ticks: int) -> float:
        s = plant_setup.plant_state(60.0, 20.0, 1.0)
        for tick in range(ticks):
            plant.plant_tick(p, s, plant.CURRENT, torque / per_amp * min(1.0, tick / 500.0), 1000.0)
        return math.degrees(s[plant.S_Q2]) - 60.0

    held = moved(0.135, 3000)
    assert 0.0 < held < lens.presliding_deg
    assert moved(0.135, 6000) == pytest.approx(held, abs=1e-6)  # no drift while held
    assert moved(0.150, 1000) > 1.0
    # Once sliding, 0.13 Nm (above Coulomb 0.11, below breakaway 0.145) keeps it going.
    s = plant_setup.plant_state(20.0, 20.0, 1.0)
    s[plant.S_W1] = s[plant.S_W2] = s[plant.S_U1] = s[plant.S_U2] = 1.0
    s[plant.S_Z2] = p[plant.P_FC2] / p[plant.P_SIGMA2]
    s[plant.S_M2] = 1.0
    for _ in range(500):
        plant.plant_tick(p, s, plant.CURRENT, 0.13 / per_amp, 1000.0)
    assert s[plant.S_W2] > 1.0


def test_ring_torque_follows_the_travel_table_and_the_cold() -> None:
    """Current at a steady slow speed is proportional to the table's friction factor; cold multiplies it."""
    lens = vary(load_lens("zoom"), {"viscous_mnm_s_per_rad": 0, "friction_factor_at_minus_20c": 2.0})

    def sliding_torque(card: LensCard, ring_deg: float, ambient: float) -> float:
        p = plant_setup.plant_parameters(load_motor("medium"), card)
        s = plant_setup.plant_state(ring_deg, ambient, plant_setup.cold_factor(card, ambient))
        s[plant.S_W1] = s[plant.S_W2] = s[plant.S_U2] = 20.0
        for _ in range(2):
            plant.plant_tick(p, s, plant.COAST, 0.0, 24.0)
        return s[plant.S_ERING] / (s[plant.S_Q2] - math.radians(ring_deg))

    table = lens.torque_over_travel
    third = sliding_torque(lens, 52.0, 20.0)  # 52 deg of 130 is the third of six points
    assert sliding_torque(lens, 0.0, 20.0) / third == pytest.approx(table[0] / table[2], rel=0.03)
    assert sliding_torque(lens, 52.0, -20.0) / third == pytest.approx(2.0, rel=0.03)
    assert plant_setup.cold_factor(load_lens("zoom-cold"), 20.0) == pytest.approx(3.0)
    # Between the points it is a straight line, beyond the scale it stays.
    slope = lens.model_copy(update={"torque_over_travel": (0.5, 1.5)})
    start = sliding_torque(slope, 0.0, 20.0)
    assert sliding_torque(slope, 130.0 / 32.0, 20.0) / start == pytest.approx(0.53125 / 0.5, rel=0.02)
    assert sliding_torque(slope, 65.0, 20.0) / start == pytest.approx(2.0, rel=0.02)
    assert sliding_torque(slope, -1.0, 20.0) / start == pytest.approx(1.0, rel=0.01)


def test_a_blocked_or_slipping_ring() -> None:
    motor, lens = load_motor("medium"), load_lens("focus-long")
    p = plant_setup.plant_parameters(motor, lens)
    s = plant_setup.plant_state(100.0, 20.0, 1.0)
    s[plant.S_BLOCK] = 2000.0
    for _ in range(500):
        plant.plant_tick(p, s, plant.CURRENT, 2.0, 24.0)
    assert abs(math.degrees(s[plant.S_Q2]) - 100.0) < 0.1
    assert s[plant.S_TMESH] > 1.0
    s[plant.S_SLIP] = 0.3
    for _ in range(500):
        plant.plant_tick(p, s, plant.CURRENT, 2.0, 24.0)
    assert abs(math.degrees(s[plant.S_Q2]) - 100.0) < 0.1
    assert math.degrees(s[plant.S_Q1]) > 120.0  # the gear turns on its shaft
    assert s[plant.S_ESLIP] == pytest.approx(0.3 * (s[plant.S_Q1] - s[plant.S_Q2]), rel=0.1)


def test_supply_sags_and_recovers() -> None:
    decay = plant.supply_decay(0.5, 2000.0)
    assert decay == pytest.approx(math.exp(-1.0))
    bus = 24.0
    for _ in range(50):
        bus = plant.supply_tick(bus, 24.0, 0.5, decay, 10.0)
    assert bus == pytest.approx(19.0)
    assert plant.supply_tick(bus, 24.0, 0.5, decay, 0.0) == pytest.approx(24.0 - 5.0 * math.exp(-1.0))
    assert plant.supply_tick(1.0, 24.0, 0.5, 0.0, 100.0) == 0.0
