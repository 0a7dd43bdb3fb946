"""Tables of codes: refusals, faults, enumerations, flag bits, and the times that the protocol promises."""

from __future__ import annotations

from enum import IntEnum
from typing import Final, NamedTuple

from ringlet.protocol.wire import Part

VERSION_MAJOR: Final = 1
VERSION_MINOR: Final = 0


class Refusal(IntEnum):
    """Why a request was not done."""

    UNKNOWN_KIND = 1
    UNKNOWN_AXIS = 2
    SHORT_BODY = 3
    OUT_OF_RANGE = 4
    WRONG_STATE = 5
    OWNED = 6
    NOT_OWNER = 7
    NOT_CALIBRATED = 8
    PAST_TRAVEL = 9
    FAULTED = 10
    UNKNOWN_PARAMETER = 11
    READ_ONLY = 12
    CHECK_MISMATCH = 13
    STORAGE_FAILED = 14
    UNKNOWN_ITEM = 15
    NOT_STAGED = 16


REFUSALS: Final[dict[Refusal, tuple[str, str]]] = {
    # code: (what happened, what the item field of `refused` holds)
    Refusal.UNKNOWN_KIND: ("this node does not know the kind", "the kind"),
    Refusal.UNKNOWN_AXIS: ("the node has no such axis", "the axis"),
    Refusal.SHORT_BODY: ("the body is shorter than the kind's fields", "the length received"),
    Refusal.OUT_OF_RANGE: ("a value is outside its range", "index of the field, or the parameter"),
    Refusal.WRONG_STATE: ("the axis cannot do this in its present state", "the state"),
    Refusal.OWNED: ("another control owns the axis", "address of the owner"),
    Refusal.NOT_OWNER: ("take the axis first", "0: nobody owns it"),
    Refusal.NOT_CALIBRATED: ("the travel is not known yet", "the axis"),
    Refusal.PAST_TRAVEL: ("the target lies past a travel limit", "0 the lower limit, 1 the upper"),
    Refusal.FAULTED: ("a fault is latched; clear it first", "the fault"),
    Refusal.UNKNOWN_PARAMETER: ("there is no such parameter", "the parameter"),
    Refusal.READ_ONLY: ("the parameter cannot be written", "the parameter, or number of the text"),
    Refusal.CHECK_MISMATCH: ("the items do not give the check value", "number of items held"),
    Refusal.STORAGE_FAILED: ("the settings could not be stored", "0"),
    Refusal.UNKNOWN_ITEM: ("there is no such item, mark or text", "number of the mark or text; 0 for a table"),
    Refusal.NOT_STAGED: ("no table has been opened for this item", "number of the mark or text; 0 for a table"),
}


class Fault(IntEnum):
    """What is wrong with an axis. The number is also its bit in fault masks."""

    STALL = 1
    FOLLOWING = 2
    ENCODER = 3
    WINDING_HOT = 4
    CASE_HOT = 5
    SUPPLY_LOW = 6
    SETTINGS_LOST = 7
    NO_STOP_FOUND = 8
    ADDRESS_TAKEN = 9


class FaultRule(NamedTuple):
    """How an axis reacts: `ramp` brakes and then frees the ring, `coast` frees it at once, `note` only reports."""

    reaction: str
    doc: str


FAULTS: Final[dict[Fault, FaultRule]] = {
    Fault.STALL: FaultRule("coast", "torque at its limit and no motion for the stall time"),
    Fault.FOLLOWING: FaultRule("coast", "the ring is further from its setpoint than the following-error limit"),
    Fault.ENCODER: FaultRule("coast", "no plausible encoder signal; the position is not known any more"),
    Fault.WINDING_HOT: FaultRule("ramp", "the winding is above its temperature limit"),
    Fault.CASE_HOT: FaultRule("ramp", "the case is above its temperature limit"),
    Fault.SUPPLY_LOW: FaultRule("ramp", "the supply is below the lowest voltage"),
    Fault.SETTINGS_LOST: FaultRule("note", "no stored copy of the settings had a good check value; defaults are used"),
    Fault.NO_STOP_FOUND: FaultRule("ramp", "no end stop was met within the longest search"),
    Fault.ADDRESS_TAKEN: FaultRule("note", "another node uses this address; this one went back to the fresh address"),
}

# Enumerations that fields name in `values`. (count, name, meaning)
ENUMS: Final[dict[str, tuple[tuple[int, str, str], ...]]] = {
    "refusal": tuple((int(code), code.name.lower().replace("_", "-"), REFUSALS[code][0]) for code in Refusal),
    "fault": (
        (0, "none", "nothing is wrong"),
        *((int(code), code.name.lower().replace("_", "-"), FAULTS[code].doc) for code in Fault),
    ),
    "end": ((0, "low", "the lower end of the travel"), (1, "high", "the upper end of the travel")),
    "role": (
        (0, "free", "no role"),
        (1, "focus", "distance ring"),
        (2, "iris", "aperture ring"),
        (3, "zoom", "focal length ring"),
        (4, "interaxial", "distance between the two lenses of a two-camera rig"),
        (5, "convergence", "angle between the two lenses of a two-camera rig"),
    ),
    "onoff": ((0, "off", "off"), (1, "on", "on")),
    "direction": ((0, "same", "motor and ring count the same way"), (1, "reversed", "they count opposite ways")),
    "loss": (
        (0, "hold", "ramp down, hold, and become free"),
        (1, "release", "ramp down, let the ring turn by hand, and become free"),
    ),
    "restore": ((0, "stored", "what was last saved"), (1, "factory", "the defaults of the parameter table")),
    "item": (
        (0, "maker", "name of the maker; read only"),
        (1, "model", "name of the model; read only"),
        (2, "axis-name", "free text for the axis"),
        (3, "lens-name", "free text for the lens"),
    ),
    "unit-kind": (
        (0, "distance", "focus marks: distance in mm, the highest count is infinity"),
        (1, "stop", "iris marks: T-stop in thousandths"),
        (2, "focal", "zoom marks: focal length in hundredths of a mm"),
    ),
    # SMPTE ST 12-1 names the rates; the numbers of this table are ours.
    "rate": (
        (0, "24", "24 frames a second"),
        (1, "25", "25 frames a second"),
        (2, "30", "30 frames a second"),
        (3, "23.976", "24000/1001 frames a second"),
        (4, "29.97", "30000/1001 frames a second, no frame numbers dropped"),
        (5, "29.97df", "30000/1001 frames a second, drop-frame"),
        (6, "50", "50 frames a second"),
        (7, "59.94", "60000/1001 frames a second, no frame numbers dropped"),
        (8, "59.94df", "60000/1001 frames a second, drop-frame"),
        (9, "60", "60 frames a second"),
        (10, "47.952", "48000/1001 frames a second"),
        (11, "48", "48 frames a second"),
    ),
    "poll": (
        (0, "motion", "position and velocity"),
        (1, "drive", "setpoint and current"),
        (2, "health", "supply and temperatures"),
        (3, "status", "state, flags and owner"),
        (4, "sample", "time of the sample"),
    ),
    "hand-back": (
        (0, "away", "the control is not at the motor's place; the motor does not follow it"),
        (1, "blending", "the control has taken over, and what is left of the difference is being worked off"),
        (2, "coupled", "the motor follows the control"),
        (3, "lost", "nothing has been heard of the control; the motor holds"),
    ),
    "source": ((0, "other", "not stated"), (1, "sensor", "a range sensor"), (2, "hand", "typed in by a person")),
}


class Flag(IntEnum):
    """Bits of the status flags."""

    CALIBRATED = 0
    IN_MOTION = 1
    AT_LOW = 2
    AT_HIGH = 3
    CLAMPED = 4
    TORQUE_LIMITED = 5
    UNSAVED = 6
    STAGED = 7
    MARKS = 8
    DERATED = 9
    ON_TARGET = 10
    CLOCK_SET = 11


FLAG_PARTS: Final = (
    Part("calibrated", Flag.CALIBRATED, 1, "The travel is known."),
    Part("in_motion", Flag.IN_MOTION, 1, "The setpoint moves."),
    Part("at_low", Flag.AT_LOW, 1, "The setpoint stands at the lower travel limit."),
    Part("at_high", Flag.AT_HIGH, 1, "The setpoint stands at the upper travel limit."),
    Part("clamped", Flag.CLAMPED, 1, "The last streamed setpoint lay past a travel limit and was cut to it."),
    Part("torque_limited", Flag.TORQUE_LIMITED, 1, "The drive pushes as hard as it may."),
    Part("unsaved", Flag.UNSAVED, 1, "Settings, marks or texts differ from the stored ones."),
    Part("staged", Flag.STAGED, 1, "A setpoint waits for `sync`."),
    Part("marks", Flag.MARKS, 1, "A committed table of lens marks is held."),
    Part("derated", Flag.DERATED, 1, "Torque is reduced because the motor is hot."),
    Part("on_target", Flag.ON_TARGET, 1, "The last move has ended at its target."),
    Part("clock_set", Flag.CLOCK_SET, 1, "The node's clock follows `clock`."),
)


def flag_names(flags: int) -> tuple[str, ...]:
    """Names of the flags that are set in a `status`, in the table's order."""
    return tuple(part.name for part in FLAG_PARTS if flags >> part.shift & 1)


SELECT_PARTS: Final = tuple(
    Part(name, bit, 1, f"Send `{name}`: {doc}.") for bit, name, doc in ENUMS["poll"]
)


class Timing(NamedTuple):
    ms: int
    doc: str


# What a receiver may rely on. Values are our choice; the reason stands in the text.
TIMING: Final[dict[str, Timing]] = {
    "reply": Timing(10, "a node answers within this time; a control waits at least this long plus transfer time"),
    "repeat": Timing(
        1000,
        "a request with the same header and the same bytes within this time is answered as before and not done again; "
        "questions are answered anew, and a stop is always carried out",
    ),
    "search_reply": Timing(4, "a node starts to answer a search within this time"),
    "announce_window": Timing(
        64,
        "answers to `discover` are spread over this time by the unique id, so that on CAN two nodes under one "
        "address do not destroy each other's frames for long",
    ),
    "save": Timing(50, "saving settings is answered within this time"),
    "owner_floor": Timing(50, "shortest owner time-out that can be set"),
}


def names(enum: str) -> dict[int, str]:
    """count -> name of an enumeration."""
    return {count: name for count, name, _ in ENUMS[enum]}
