"""The position and velocity loop in C as a library (`tests/c/loop_driver.c`), and moves recorded to feed it with."""

from __future__ import annotations

import ctypes
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from ringlet.hwsim import firmware_link as fw
from ringlet.hwsim import loops, plant
from ringlet.hwsim.drive import BridgeReading, Drive, DriveSettings
from ringlet.hwsim.ramp import RampLimits
from ringlet.hwsim.ramp_fixed import FixedRamp
from ringlet.hwsim.ramp_plan import ONE

sys.path.insert(0, str(Path(__file__).parents[1] / "c"))
import c_build
import fw_build

Array = np.ndarray[Any, Any]
LIMITS = RampLimits(240e3, 1.5e6, 1.5e6, 30e6)
"""Factory limits of the parameter table."""
COMMAND, DUTY, POSITION, VELOCITY, AMPERES, TORQUE, WINDING, HOUSING, SUPPLY, ENCODER_OK, LIMITED = range(11)
"""Columns of what the loop tells."""


class Loop:
    """One loop in C."""

    def __init__(self, folder: Path, *flags: str) -> None:
        fw_build.emit_firmware_into(folder)
        shared = ("gcc", "-std=c99", *c_build.STRICT, "-O2", "-fPIC", "-shared", "-I.", *flags)
        c_build.build(*shared, c_build.HERE / "loop_driver.c", "ringlet_loop.c", "-o", "loop.so", cwd=folder)
        self.c: Any = ctypes.CDLL(str(folder / "loop.so"))

    def init(self, tuning: Sequence[int]) -> bool:
        return bool(self.c.drive_init((ctypes.c_int32 * 15)(*tuning)))

    def configure(self, settings: Sequence[int]) -> None:
        self.c.drive_settings((ctypes.c_int32 * 8)(*settings))

    def start(self, measured: Sequence[int]) -> None:
        self.c.drive_start((ctypes.c_int32 * 5)(*measured))

    def derive(self, figures: Sequence[int], tuning: Sequence[int]) -> tuple[bool, list[int]]:
        values = (ctypes.c_int32 * 15)(*tuning)
        return bool(self.c.drive_derive((ctypes.c_int32 * 9)(*figures), values)), list(values)

    def counts(self, before: int, counter: int) -> int:
        return int(self.c.drive_counts(before, ctypes.c_uint16(counter)))

    def run(self, setpoints: Array, measured: Array) -> Array:
        """One row a tick: setpoints as `firmware_link.Setpoint`, measurements as `firmware_link.Measured`."""
        told = np.zeros((len(setpoints), 11), np.int32)
        given = np.ascontiguousarray(setpoints, np.int64), np.ascontiguousarray(measured, np.int32)
        self.c.drive_run(ctypes.c_size_t(len(told)), *(ctypes.c_void_p(a.ctypes.data) for a in (*given, told)))
        return told

    def control(self, setpoint: fw.Setpoint) -> list[int]:
        """Command, duty, and the reading after it, in the columns above."""
        told = (ctypes.c_int32 * 11)()
        self.c.drive_control((ctypes.c_int64 * 5)(*setpoint), told)
        return list(told)

    def sense(self, measured: fw.Measured) -> list[int]:
        """The reading after a measurement, in the columns above."""
        told = (ctypes.c_int32 * 11)()
        self.c.drive_sense((ctypes.c_int32 * 5)(*measured), told)
        return list(told)


def settings_of(settings: DriveSettings, velocity_gain: int = 1000) -> fw.DriveCounts:
    """Settings as the core would tell them."""
    return fw.DriveCounts(
        int(settings.direction < 0), settings.motor_teeth, settings.ring_teeth, settings.encoder_counts,
        round(settings.backlash_mdeg), int(settings.backlash_comp), round(100 * settings.position_gain), velocity_gain,
    )  # fmt: skip


def setpoint_of(ramp: FixedRamp, torque_mnm: float, *, on: bool = True) -> fw.Setpoint:
    return fw.Setpoint(int(on), round(1e3 * torque_mnm), ramp._p, ramp._v, ramp._a)


def measured_now(drive: Drive) -> fw.Measured:
    """What the board of a drive could measure now."""
    s = drive._s
    return fw.measured_of(
        BridgeReading(int(s[loops.S_COUNT]), 1e3 * s[plant.S_I], s[plant.S_TC], 1e3 * drive.supply.bus_v, True)
    )


class Record(NamedTuple):
    """A run of the loop in Python on the physics, one row a tick; `first` was measured before it."""

    first: fw.Measured
    setpoints: Array
    measured: Array
    commands_ma: Array
    readings: list[loops.DriveReading]


def record(drive: Drive, ticks: int, plan: Callable[[int, FixedRamp], float], ramp: FixedRamp | None = None) -> Record:
    """Step a drive by its own loop. `plan` may give the ramp a new aim in any tick and returns the torque limit in
    mN.m; below 0 opens the bridge."""
    ramp = ramp or FixedRamp(LIMITS)
    first = measured_now(drive)
    setpoints, measured, commands, readings = [], [], [], []
    for tick in range(ticks):
        torque = plan(tick, ramp)
        ramp.tick()
        setpoint = setpoint_of(ramp, max(torque, 0.0), on=torque >= 0.0)
        drive.supply.begin_tick()
        rate = 1e3
        reading = drive.tick(
            bool(setpoint.on), setpoint.position / ONE, setpoint.velocity * rate / ONE,
            setpoint.acceleration * rate * rate / ONE, setpoint.torque / 1e3,
        )  # fmt: skip
        setpoints.append(setpoint)
        measured.append(measured_now(drive))
        commands.append(1e3 * drive._s[loops.S_ICMD])
        readings.append(reading)
    return Record(first, np.array(setpoints), np.array(measured), np.array(commands), readings)
