"""The position and velocity loop in C (`ringlet_loop.c`): its gains, and its commands beside those of `control_tick`.

Recorded runs of the loop in Python give setpoints and measurements; the loop in C gets the same and must give the same
currents. What it gets is whole: counts, mA, and tenths of a degree of the case; what it gives is whole mA.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from loop_in_c import (
    AMPERES,
    COMMAND,
    DUTY,
    ENCODER_OK,
    LIMITED,
    LIMITS,
    POSITION,
    TORQUE,
    VELOCITY,
    WINDING,
    Array,
    Loop,
    Record,
    c_build,
    measured_now,
    record,
    setpoint_of,
    settings_of,
)

from ringlet.hwsim import firmware_link as fw
from ringlet.hwsim import loops, plant, plant_setup
from ringlet.hwsim.cardfile import LensCard, MotorCard, load_lens, load_motor, shipped_lenses, shipped_motors
from ringlet.hwsim.drive import Drive, Supply, default_settings
from ringlet.hwsim.ramp_fixed import FixedRamp

pytestmark = pytest.mark.skipif(c_build.have("gcc") is not None, reason=c_build.have("gcc") or "")

FREE = 1e6
"""mN.m: a torque limit that is none"""
HALF = 0.6
"""mA: whole milliamperes, and what gains and angles round"""
PAIRS = [("medium", "focus-long"), ("small", "zoom-cold"), ("strong", "iris")]


@pytest.fixture(scope="module")
def loop(tmp_path_factory: pytest.TempPathFactory) -> Loop:
    """Built with the sanitizer for undefined behaviour, which ends the run at its first find."""
    return Loop(tmp_path_factory.mktemp("loop"), "-fsanitize=undefined", "-fno-sanitize-recover=all")


def build(motor: str = "medium", lens: str = "focus-long", **changes: float) -> Drive:
    m, ring = load_motor(motor), load_lens(lens)
    settings = default_settings(m, ring)._replace(**changes)  # type: ignore[arg-type]
    return Drive(m, ring, settings, Supply(), ring_start_deg=40.0)


def back_and_forth(tick: int, ramp: FixedRamp) -> float:
    if tick % 400 == 0:
        ramp.move([20e3, -10e3, 5e3, 40e3][tick // 400 % 4])
    return FREE


def ready(loop: Loop, drive: Drive, first: fw.Measured) -> None:
    assert loop.init(fw.tuning_of(drive.settings))
    loop.configure(settings_of(drive.settings))
    loop.start(first)


def told(loop: Loop, drive: Drive, run: Record) -> Array:
    ready(loop, drive, run.first)
    return loop.run(run.setpoints, run.measured)


def off(found: Array, run: Record) -> float:
    """Greatest difference of the commands in mA."""
    assert np.abs(run.commands_ma).max() > 50.0
    return float(np.abs(found[:, COMMAND] - run.commands_ma).max())


# --- the same as in Python -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("motor", "lens"), PAIRS)
def test_commands_and_readings_are_those_of_the_loop_in_python(loop: Loop, motor: str, lens: str) -> None:
    drive = build(motor, lens)
    run = record(drive, 1600, back_and_forth)
    found = told(loop, drive, run)
    assert off(found, run) < HALF
    for column, value, most in (
        (POSITION, lambda r: r.position_mdeg, 0.51), (VELOCITY, lambda r: r.velocity_mdeg_s, 1.0),
        (AMPERES, lambda r: r.current_ma, 0.51), (TORQUE, lambda r: 2048.0 * r.torque_mnm, 0.3 * 2048.0),
        (WINDING, lambda r: 10.0 * r.winding_c, 1.0), (LIMITED, lambda r: r.torque_limited, 0.0),
    ):  # fmt: skip
        wanted = np.array([value(reading) for reading in run.readings], float)
        assert np.ptp(wanted) > 0.0 or column in (LIMITED, WINDING)
        assert np.abs(found[:, column] - wanted).max() <= most, column


def test_at_the_torque_limit_and_out_of_it(loop: Loop) -> None:
    """A ring that is held and comes free, under a torque limit: cut commands, anti-windup, and the flag for it."""
    drive = build("small", "iris")

    def plan(tick: int, ramp: FixedRamp) -> float:
        drive.faults.ring_blocked = 300 < tick < 900
        return back_and_forth(tick, ramp) and 60.0

    run = record(drive, 1600, plan)
    found = told(loop, drive, run)
    assert off(found, run) < HALF
    cut = [reading.torque_limited for reading in run.readings]
    assert 100 < sum(cut) < 1500
    assert found[:, LIMITED].tolist() == cut
    assert np.abs(found[:, COMMAND]).max() == pytest.approx(60.0 / drive.settings.torque_mnm_per_a * 1e3, abs=1.0)


def test_reversed_with_backlash_taken_up(loop: Loop) -> None:
    drive = build(direction=-1, backlash_comp=True, backlash_mdeg=219.0)
    run = record(drive, 1600, back_and_forth)
    assert off(told(loop, drive, run), run) < HALF
    plain = build(direction=-1)
    other = record(plain, 1600, back_and_forth)
    assert np.abs(other.commands_ma - run.commands_ma).max() > 50.0  # the take-up is seen in the commands


def test_bridge_opened_and_closed_again(loop: Loop) -> None:
    drive = build()
    run = record(drive, 1600, lambda tick, ramp: back_and_forth(tick, ramp) if tick // 150 % 2 else -1.0)
    found = told(loop, drive, run)
    assert off(found, run) < HALF
    opened = run.setpoints[:, 0] == 0
    assert not found[opened, COMMAND].any()


def test_a_hot_winding_lowers_the_current(loop: Loop) -> None:
    """The case is told in tenths of a degree: half a tenth of the band of 25 K is 0.2 % of the peak current."""
    drive = build("small", "iris")
    drive.power_cycle()
    drive._s[loops.S_TWEST] = drive._s[plant.S_TW] = drive._s[plant.S_TC] = 92.0
    drive.faults.ring_blocked = True
    run = record(drive, 3000, back_and_forth)
    found = told(loop, drive, run)
    lowered = np.abs(run.commands_ma[2000:]).max()
    assert lowered < 0.9 * drive.settings.peak_current_ma
    assert off(found, run) < 0.002 * drive.settings.peak_current_ma + HALF
    assert max(reading.winding_c for reading in run.readings) > drive.settings.derate_from_c


def test_velocity_gain_scales_the_makers_own(loop: Loop) -> None:
    drive = build()
    run = record(drive, 400, back_and_forth)
    ready(loop, drive, run.first)
    loop.configure(settings_of(drive.settings, velocity_gain=500))
    slack = loop.run(run.setpoints, run.measured)
    half = record(build(velocity_gain=0.5 * drive.settings.velocity_gain), 1, back_and_forth)
    assert np.abs(slack[:, COMMAND] - run.commands_ma).max() > 20.0
    assert slack[0, COMMAND] == pytest.approx(half.commands_ma[0], abs=HALF)


# --- counters, scales, settings --------------------------------------------------------------------------------------


def test_the_counter_may_overflow(loop: Loop) -> None:
    drive = build()
    run = record(drive, 1600, back_and_forth)
    plain = told(loop, drive, run)
    for shift in ((1 << 31) - 1000, 1 << 31, 12345):
        wrapped = run.measured.copy()
        wrapped[:, 0] = (wrapped[:, 0] + shift + (1 << 31)) % (1 << 32) - (1 << 31)
        first = run.first._replace(counts=(run.first.counts + shift + (1 << 31)) % (1 << 32) - (1 << 31))
        ready(loop, drive, first)
        assert np.array_equal(loop.run(run.setpoints, wrapped), plain)


def test_sixteen_bits_of_a_counter_make_thirty_two(loop: Loop) -> None:
    true, found = 0, 0
    for by in (5, 32_767, 32_000, -10, -32_768, -32_768, -32_768, 32_767, 1):
        true += by
        found = loop.counts(found, true % 65_536)
        assert found == true
    edge = (1 << 31) - 5
    assert loop.counts(edge, (edge + 10) % 65_536) == edge + 10 - (1 << 32)


@pytest.mark.parametrize("first", ["measured", "controlled"])
@pytest.mark.parametrize(("change", "factor"), [({"ring_teeth": 268}, 0.5), ({"direction": -1}, -1.0)])
def test_a_new_scale_holds_after_the_next_control(
    loop: Loop, change: dict[str, int], factor: float, first: str
) -> None:
    """The core hands down one more setpoint in the old numbers and then reads the new ones: no kick in between, whether
    the measurement comes before the control, as on a board, or after it, as in the simulation."""
    drive = build()
    run = record(drive, 380, back_and_forth)
    ready(loop, drive, run.first)
    loop.run(run.setpoints, run.measured)
    last = fw.Measured(*(int(x) for x in run.measured[-1]))
    hold = fw.Setpoint(1, 10**8, int(run.setpoints[-1, 2]), 0, 0)
    for _ in range(30):
        before = loop.sense(last)
        quiet = loop.control(hold)
    assert 15e3 < before[POSITION] < 25e3
    loop.configure(settings_of(drive.settings._replace(**change)))
    if first == "measured":
        assert loop.sense(last)[POSITION] == before[POSITION]
    found = loop.control(hold)
    assert found[COMMAND] == pytest.approx(quiet[COMMAND], abs=2)
    assert found[POSITION] == pytest.approx(factor * before[POSITION], abs=1)
    assert abs(loop.sense(last)[VELOCITY]) < 50
    found = loop.control(hold._replace(position=round(factor * hold.position)))
    assert found[COMMAND] == pytest.approx(quiet[COMMAND], abs=0.1 * abs(quiet[COMMAND]))
    assert abs(quiet[COMMAND]) > 50


def test_a_turned_direction_turns_the_speed_round(loop: Loop) -> None:
    drive = build()
    run = record(drive, 100, back_and_forth)
    found = told(loop, drive, run)
    assert found[-1, VELOCITY] > 20e3
    loop.configure(settings_of(drive.settings._replace(direction=-1)))
    assert loop.control(fw.Setpoint(0, 0, 0, 0, 0))[VELOCITY] == -found[-1, VELOCITY]


def test_a_tuning_out_of_range_is_said_and_cut(loop: Loop) -> None:
    good = fw.tuning_of(build().settings)
    assert loop.init(good)
    for change in (
        {"velocity_gain": -1}, {"integral_corner": 1_000_001}, {"velocity_filter": 0}, {"velocity_filter": 65_537},
        {"torque_per_amp": 0}, {"peak_current": 0}, {"peak_current": 1_000_001}, {"resistance": 0},
        {"winding_heat": 0}, {"winding_to_case": 0}, {"derate_from": good.winding_max}, {"winding_max": 10_001},
        {"runaway_speed": -1}, {"friction_feed": -1}, {"rest_band": -1}, {"back_emf": -1}, {"inertia_feed": -1},
    ):  # fmt: skip
        assert not loop.init(good._replace(**change)), change


@pytest.mark.parametrize("seed", range(3))
def test_any_values_at_all_are_borne(loop: Loop, seed: int) -> None:
    """Full-range setpoints, measurements, settings and tunings: the sanitizer watches, and the promises hold."""
    rng = np.random.default_rng(seed)
    edges = np.array([0, 1, -1, 2**31 - 1, -(2**31), 1000, 65_536])

    def words(*shape: int) -> Array:
        return np.where(rng.random(shape) < 0.3, rng.choice(edges, shape), rng.integers(-(2**31), 2**31, shape))

    for _ in range(60):
        tuning = words(15)
        peak = min(max(int(tuning[8]), 1), 1_000_000)
        loop.init(tuning.tolist())
        loop.configure(words(8).tolist())
        loop.start(words(5).tolist())
        setpoints = np.concatenate([words(300, 2), rng.integers(-(2**63), 2**63 - 1, (300, 3))], axis=1)
        setpoints[:, 2:] >>= rng.integers(0, 60, (300, 3))
        found = loop.run(setpoints, words(300, 5))
        assert np.abs(found[:, COMMAND]).max() <= peak
        assert np.abs(found[:, DUTY]).max() <= 32_768
        assert not found[setpoints[:, 0] == 0, COMMAND].any()


# --- gains from figures ----------------------------------------------------------------------------------------------


def figures_of(motor: MotorCard, lens: LensCard) -> list[int]:
    return [
        round(1000 * motor.torque_constant_mnm_per_a), round(1000 * motor.gearhead_ratio),
        round(1000 * motor.gearhead_efficiency), motor.gear_teeth, lens.ring_teeth,
        round(1000 * motor.rotor_inertia_gcm2), round(lens.ring_inertia_gcm2), round(1000 * motor.rotor_coulomb_mnm),
        round(1000 * lens.coulomb_mnm),
    ]  # fmt: skip


@pytest.mark.parametrize("motor", shipped_motors())
@pytest.mark.parametrize("lens", shipped_lenses())
def test_gains_from_figures_are_those_of_the_simulated_board(loop: Loop, motor: str, lens: str) -> None:
    m, ring = load_motor(motor), load_lens(lens)
    own = fw.tuning_of(default_settings(m, ring))
    done, values = loop.derive(figures_of(m, ring), [7] * 15)
    found = fw.LoopTuning(*values)
    assert done
    for name in ("velocity_gain", "inertia_feed", "friction_feed", "torque_per_amp"):
        assert getattr(found, name) == pytest.approx(getattr(own, name), rel=2e-5, abs=1), name
    assert (found.integral_corner, found.velocity_filter) == (own.integral_corner, own.velocity_filter)
    assert found.runaway_speed == own.runaway_speed
    per_degree = m.torque_constant_mnm_per_a * 1e3 * plant_setup.gear_ratio(m, ring) * math.pi / 180.0
    assert found.back_emf == pytest.approx(per_degree, abs=1)
    assert found.rest_band == 5000  # the loop itself widens it to two counts
    for name in ("peak_current", "resistance", "winding_heat", "winding_to_case", "derate_from", "winding_max"):
        assert getattr(found, name) == 7, name


def test_figures_out_of_range_change_nothing(loop: Loop) -> None:
    good = figures_of(load_motor("medium"), load_lens("focus-long"))
    assert loop.derive(good, [7] * 15)[0]
    for place in range(9):
        for value in (-1, 2_000_000_000):
            bad = [*good[:place], value, *good[place + 1 :]]
            assert loop.derive(bad, [7] * 15) == (False, [7] * 15)
    huge = [500, 1000, 1000, 8, 2000, 5_000_000, 1_000_000, 0, 0]  # in range each, but the gain is not
    assert loop.derive(huge, [7] * 15) == (False, [7] * 15)


# --- closed in C -----------------------------------------------------------------------------------------------------


def close(
    loop: Loop, motor: str, lens: str, *, by_duty: bool = False, counts_as: int = 1, torque: float = FREE,
    guard: bool = True,
) -> tuple[Array, Array, list[float]]:  # fmt: skip
    """(readings, following errors in mdeg, true ring angles from the start) of a move of 20 degrees."""
    m, ring = load_motor(motor), load_lens(lens)
    drive = build(motor, lens)
    done, values = loop.derive(figures_of(m, ring), fw.tuning_of(drive.settings))
    assert done

    def measured() -> fw.Measured:
        found = measured_now(drive)
        return found._replace(counts=counts_as * found.counts)

    assert loop.init(fw.LoopTuning(*values)._replace(**({} if guard else {"runaway_speed": 0})))
    loop.configure(settings_of(drive.settings))
    loop.start(measured())
    ramp = FixedRamp(LIMITS)
    ramp.move(20e3)
    readings, errors, ring_deg = [], [], []
    for _ in range(900):
        ramp.tick()
        drive.supply.begin_tick()
        command, duty = loop.control(setpoint_of(ramp, torque))[: DUTY + 1]
        if by_duty:
            volts = drive.supply.bus_v
            plant.plant_tick(drive._p, drive._s, plant.VOLTAGE, duty / 32_768 * volts, volts)
            loops.sense_tick(drive._p, drive._s)
        else:
            drive.tick_bridge(True, float(command))
        readings.append(loop.sense(measured()))
        errors.append(ramp.position - readings[-1][POSITION])
        ring_deg.append(drive.truth.ring_deg - 40.0)
    return np.array(readings), np.array(errors), ring_deg


@pytest.mark.parametrize("by_duty", [False, True], ids=["current", "duty"])
@pytest.mark.parametrize(("motor", "lens"), PAIRS)
def test_it_follows_a_move(loop: Loop, motor: str, lens: str, by_duty: bool) -> None:
    """As a current for a current loop, and as a share of the supply for a bare bridge."""
    readings, errors, ring_deg = close(loop, motor, lens, by_duty=by_duty)
    assert np.abs(errors).max() < (1000.0 if lens == "zoom-cold" else 300.0)
    assert abs(errors[-1]) < 35.0
    play = plant_setup.lost_motion_deg(load_motor(motor), load_lens(lens))
    assert ring_deg[-1] == pytest.approx(20.0, abs=play + 0.1)
    assert readings[:, ENCODER_OK].all()


def test_the_torque_limit_holds_without_a_current_loop(loop: Loop) -> None:
    readings, errors, _ = close(loop, "medium", "focus-long", by_duty=True, torque=30.0)
    assert np.abs(readings[:, TORQUE]).max() / 2048.0 < 1.1 * 30.0
    assert readings[:, LIMITED].any()
    assert np.abs(errors).max() > 1000.0


def test_a_motor_that_counts_the_wrong_way_is_stopped(loop: Loop) -> None:
    """Encoder lines the wrong way round, under the torque for finding end stops: the guard ends it within degrees;
    without the guard it runs on. It gives current again when the bridge has been opened."""
    readings, _, ring_deg = close(loop, "medium", "focus-long", counts_as=-1, torque=60.0)
    assert not readings[-1, ENCODER_OK]
    stopped = int(np.argmin(readings[:, ENCODER_OK]))
    assert abs(ring_deg[stopped]) < 2.5
    assert abs(ring_deg[-1]) < 6.0
    still = fw.Measured(0, 0, 250, 24_000, 1)
    on = fw.Setpoint(1, 60_000, 1 << 50, 0, 0)
    assert loop.control(on)[COMMAND] == 0
    loop.control(on._replace(on=0))
    assert loop.sense(still)[ENCODER_OK]
    assert loop.control(on)[COMMAND] != 0
    wild, _, far = close(loop, "medium", "focus-long", counts_as=-1, torque=60.0, guard=False)
    assert wild[:, ENCODER_OK].all()
    assert abs(far[-1]) > 30.0


def test_a_hand_on_a_ring_that_has_followed_is_no_runaway(loop: Loop) -> None:
    """Turned fast against the torque limit: a runaway before the motor has followed, and none afterwards."""
    drive = build()
    ends = []
    for followed in (False, True):
        run = record(drive, 600, back_and_forth)
        ready(loop, drive, run.first)
        if followed:
            loop.run(run.setpoints, run.measured)
        here = run.measured[-1] if followed else np.array(run.first)
        hold = fw.Setpoint(1, 50_000, int(run.setpoints[-1, 2]) if followed else 0, 0, 0)
        for tick in range(100):
            loop.control(hold)
            last = loop.sense(fw.Measured(int(here[0]) + 30 * tick, 0, 250, 24_000, 1))
        assert last[LIMITED] or not last[ENCODER_OK]
        ends.append(bool(last[ENCODER_OK]))
    assert ends == [False, True]
