"""The axis state table: states, events and what each event does in each state.

A request that has no row for the present state is refused with WRONG_STATE (FAULTED in the state `faulted`).
An internal event that has no row changes nothing.
"""

from __future__ import annotations

from enum import IntEnum
from typing import Final, NamedTuple

from ringlet.protocol.codes import ENUMS


class State(IntEnum):
    STARTING = 0
    RELEASED = 1
    HOLDING = 2
    MOVING = 3
    RUNNING = 4
    FOLLOWING = 5
    STOPPING = 6
    FINDING = 7
    FAULTED = 8


class StateRule(NamedTuple):
    drive: bool
    """the motor is powered"""
    torque: str
    """parameter that limits the torque here, empty when the drive is off"""
    still: bool
    """settings marked `still` may be written"""
    doc: str


STATES: Final[dict[State, StateRule]] = {
    State.STARTING: StateRule(False, "", False, "power-up: settings are being loaded"),
    State.RELEASED: StateRule(False, "", True, "drive off, the ring turns by hand"),
    State.HOLDING: StateRule(True, "torque-holding", True, "at rest, holding its place"),
    State.MOVING: StateRule(True, "torque-moving", False, "on the way to a target"),
    State.RUNNING: StateRule(True, "torque-moving", False, "turning at a commanded velocity"),
    State.FOLLOWING: StateRule(True, "torque-moving", False, "following streamed setpoints"),
    State.STOPPING: StateRule(True, "torque-moving", False, "ramping down"),
    State.FINDING: StateRule(True, "torque-finding", False, "finding end stops"),
    State.FAULTED: StateRule(False, "", True, "a fault is latched; drive off"),
}

ENUMS["state"] = tuple((int(state), state.name.lower(), STATES[state].doc) for state in State)

REQUESTS: Final = (
    "move", "move-travel", "run", "stream-ring", "stream-travel", "sync", "stage", "stage-value", "hold",
    "release", "stop",
    "find-stops", "set-travel", "set-reference", "clear-fault", "yield",
)  # fmt: skip
"""Kinds that the table decides on; every other kind is answered in every state but STARTING."""

INTERNAL: Final[dict[str, str]] = {
    "ready": "settings are loaded",
    "arrived": "the ramp has come to rest on its target, or at the travel limit",
    "rested": "a ramp-down has ended and the axis is to hold",
    "rested-free": "a ramp-down has ended and the ring is to be free",
    "rested-fault": "a ramp-down has ended because of a fault",
    "found": "both end stops are known",
    "owner-lost": "the owner was silent past its time-out, or was put out by another control",
    "fault-ramp": "a fault that ramps down was latched",
    "fault-coast": "a fault that frees the ring at once was latched",
}


class Transition(NamedTuple):
    event: str
    states: tuple[State, ...]
    to: State | None
    """next state; None keeps the present one"""
    calibrated: bool
    """refused with NOT_CALIBRATED before the travel is known"""
    doc: str


_S = State
_STILL = (_S.RELEASED, _S.HOLDING)
_MOTION = (_S.MOVING, _S.RUNNING, _S.FOLLOWING, _S.STOPPING)
_READY = (*_STILL, *_MOTION)

TRANSITIONS: Final[tuple[Transition, ...]] = (
    Transition("ready", (_S.STARTING,), _S.RELEASED, False, "drives never start by themselves"),
    Transition("move", _READY, _S.MOVING, True, "a new target may come at any time, in motion too"),
    Transition("move-travel", _READY, _S.MOVING, True, "as `move`"),
    Transition("run", _READY, _S.RUNNING, False, "before calibration at finding speed and torque at the most"),
    Transition("stream-ring", _READY, _S.FOLLOWING, True, "a setpoint past the limits is cut and flagged"),
    Transition("stream-travel", _READY, _S.FOLLOWING, True, "as `stream-ring`"),
    Transition("stage", _READY, None, True, "kept until `sync`"),
    Transition("stage-value", _READY, None, True, "as `stage`"),
    Transition("sync", _READY, _S.MOVING, True, "only when a setpoint is staged"),
    Transition("hold", (_S.RELEASED, _S.HOLDING), _S.HOLDING, False, "switches the drive on where the ring stands"),
    Transition("hold", (*_MOTION, _S.FINDING), _S.STOPPING, False, "ramps down, then holds"),
    Transition("release", (_S.RELEASED, _S.HOLDING), _S.RELEASED, False, "at rest the ring is free at once"),
    Transition("release", (*_MOTION, _S.FINDING), _S.STOPPING, False, "ramps down, then frees the ring"),
    Transition("stop", (_S.RELEASED, _S.HOLDING, _S.FAULTED), None, False, "nothing moves: done"),
    Transition("stop", (*_MOTION, _S.FINDING), _S.STOPPING, False, "ramps down, then holds"),
    Transition("find-stops", _STILL, _S.FINDING, False, "only from rest"),
    Transition("set-travel", _STILL, None, False, "turn the ring to its end by hand first"),
    Transition("set-reference", _STILL, None, False, "renames the present position"),
    Transition("clear-fault", (_S.FAULTED,), _S.RELEASED, False, "only when no cause is left"),
    Transition("clear-fault", _READY, None, False, "forgets notes"),
    Transition("yield", (*_STILL, _S.FAULTED), None, False, "the axis is free"),
    Transition("yield", (*_MOTION, _S.FINDING), _S.STOPPING, False, "ramps down, then holds, free"),
    Transition("arrived", (_S.MOVING, _S.RUNNING), _S.HOLDING, False, "at rest on the target or at the travel limit"),
    Transition("rested", (_S.STOPPING,), _S.HOLDING, False, "came to rest"),
    Transition("rested-free", (_S.STOPPING,), _S.RELEASED, False, "came to rest, ring free"),
    Transition("rested-fault", (_S.STOPPING,), _S.FAULTED, False, "came to rest with a fault latched"),
    Transition("found", (_S.FINDING,), _S.HOLDING, False, "travel stored inside the stops"),
    Transition("owner-lost", (*_MOTION, _S.HOLDING, _S.FINDING), _S.STOPPING, False, "ramps down, then as `on-loss`"),
    Transition("fault-ramp", (*_MOTION, _S.FINDING), _S.STOPPING, False, "brakes first"),
    Transition("fault-ramp", (_S.HOLDING, _S.RELEASED), _S.FAULTED, False, "at rest already"),
    Transition("fault-coast", (*_READY, _S.FINDING), _S.FAULTED, False, "frees the ring at once"),
)

TABLE: Final[dict[tuple[str, State], Transition]] = {
    (row.event, state): row for row in TRANSITIONS for state in row.states
}
"""(event, state) -> the row that applies."""
