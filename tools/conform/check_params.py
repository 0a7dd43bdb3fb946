"""Checks that are generated from the table of parameters: range, write rule, storage, restore."""

from __future__ import annotations

from typing import Final

from ringlet.protocol import messages as m
from ringlet.protocol.codes import Flag, Refusal
from ringlet.protocol.header import ALL_AXES
from ringlet.protocol.params import ANY, BY_ID, BY_NAME, PARAMETERS, STILL, Param
from ringlet.protocol.states import State
from ringlet.tools.conform.probe import POLL, Broken, Probe
from ringlet.tools.conform.span import motion
from ringlet.tools.conform.table import Level, check

PLACE: Final = "parameters"
LIMITS: Final = ("velocity-limit", "acceleration-limit", "deceleration-limit", "jerk-limit")
SCALES: Final = ("direction", "motor-teeth", "ring-teeth", "encoder-counts")
I32: Final = (-(1 << 31), (1 << 31) - 1)


def _axis(p: Probe, row: Param) -> int:
    return ALL_AXES if row.scope == "node" else p.axis


def _wrong_axis(p: Probe, row: Param) -> int:
    return p.axis if row.scope == "node" else ALL_AXES


@check("PARAM-01", PLACE, "Every parameter of the table can be read, and its value lies in its range.",
       "A parameter was forgotten, or its default is outside the range.")  # fmt: skip
def readable(p: Probe) -> None:
    for row in PARAMETERS:
        answer = p.ask(m.Get(0, row.id), axis=_axis(p, row))
        if p.check(isinstance(answer, m.Parameter), f"get {row.name} was answered with {answer}"):
            p.check(answer.parameter == row.id, f"get {row.name} was answered with parameter {answer.parameter}")
            p.check(row.lo <= answer.value <= row.hi, f"{row.name} reads {answer.value}; {row.lo} to {row.hi}")


@check("PARAM-02", PLACE, "A value outside the range of its parameter is refused with `out-of-range`, the item is the "
       "parameter, and the value stays.", "The range of one parameter is missing, or off by one.")  # fmt: skip
def range_kept(p: Probe) -> None:
    for row in PARAMETERS:
        before = p.get(row.name)
        p.remember(row.name)
        for value in sorted({row.lo - 1, row.hi + 1, *I32}):
            if not row.lo <= value <= row.hi:
                p.no(m.Set(0, row.id, value), Refusal.OUT_OF_RANGE, row.id, f"{row.name} {value}", axis=_axis(p, row))
        after = p.get(row.name)
        if not p.check(after == before, f"a refused set changed {row.name} from {before} to {after}"):
            p.put_back()


def edges(p: Probe, row: Param) -> tuple[int, int]:
    """Lowest and highest value that can be written without a fault now."""
    health = p.must(m.Poll(0, POLL["health"]))
    low, high = row.lo, row.hi
    if row.name == "supply-min":
        high = min(high, health.supply - 1000)
    elif row.name == "winding-limit":
        low = max(low, health.winding + 250)
    elif row.name == "case-limit":
        low = max(low, health.case + 100)
    elif row.name == "address":
        low = high = p.get("address")  # another one would be taken at a power-up
    return low, high


@check("PARAM-03", PLACE, "Every value in the range can be written, is in force at once, and reads back the same.",
       "A value is stored in fewer bits, or rounded.")  # fmt: skip
def written(p: Probe) -> None:
    for row in PARAMETERS:
        low, high = edges(p, row)
        p.remember(row.name)
        if row.name in LIMITS:
            others = {name: BY_NAME[name].hi for name in LIMITS if name != row.name}
            for name, value in others.items():
                p.remember(name)
                p.ask(m.Set(0, BY_NAME[name].id, value))
            low = row.lo if row.name != "jerk-limit" else 100_000
            if row.name in ("acceleration-limit", "deceleration-limit"):
                low = 1_000_000
        for value in dict.fromkeys((low, high, (low + high) // 2, low + (high - low) // 3)):
            answer = p.ask(m.Set(0, row.id, value), axis=_axis(p, row))
            right = isinstance(answer, m.Parameter) and (answer.parameter, answer.value) == (row.id, value)
            if p.check(right, f"set {row.name} to {value} was answered with {answer}"):
                got = p.get(row.name)
                p.check(got == value, f"{row.name} was set to {value} and reads {got}")
        left = p.put_back()
        p.check(not left, f"{row.name} could not be put back")


@check("PARAM-04", PLACE, "A parameter that is not in the table is refused with `unknown-parameter`, and so is one of "
    "the "
       "node asked of an axis, or one of an axis asked of the node.",
       "The number is used as an index without a check.")  # fmt: skip
def unknown(p: Probe) -> None:
    for number in range(256):
        if number not in BY_ID:
            p.no(m.Get(0, number), Refusal.UNKNOWN_PARAMETER, number, str(number))
    for number in (0, 32, 63, 66, 128, 255):
        if number not in BY_ID:
            p.no(m.Set(0, number, 1), Refusal.UNKNOWN_PARAMETER, number, str(number))
    for row in PARAMETERS:
        axis = _wrong_axis(p, row)
        p.no(m.Get(0, row.id), Refusal.UNKNOWN_PARAMETER, row.id, f"{row.name} of axis {axis}", axis=axis)


@check("PARAM-05", PLACE, "The four limits must fit together: all speed is lost within 60 s, and either acceleration "
       "is gained or lost within 60 s.", "Each limit is checked alone.", severity="should")  # fmt: skip
def limits_fit(p: Probe) -> None:
    for name in LIMITS:
        p.remember(name)
    for name in LIMITS[1:]:
        p.ask(m.Set(0, BY_NAME[name].id, BY_NAME[name].hi))
    p.set("velocity-limit", BY_NAME["velocity-limit"].hi)
    for name in ("deceleration-limit",):
        row = BY_NAME[name]
        p.no(m.Set(0, row.id, row.lo), Refusal.OUT_OF_RANGE, row.id, f"{name} {row.lo} at full speed")
    gained = BY_NAME["acceleration-limit"]
    p.set(gained.name, gained.lo)  # speed may be gained as slowly as one likes
    p.set(gained.name, gained.hi)
    jerk = BY_NAME["jerk-limit"]
    p.no(m.Set(0, jerk.id, jerk.lo), Refusal.OUT_OF_RANGE, jerk.id, f"jerk-limit {jerk.lo} at full acceleration")


@check("PARAM-06", PLACE, "A parameter that is stored comes back with `restore`; one that is not saved goes back to "
    "its "
       "default.", "A parameter is left out of the stored block, or its place in it is taken twice.",
       needs="store")  # fmt: skip
def stored(p: Probe) -> None:
    rows = [row for row in PARAMETERS if row.scope == "axis" and row.name not in SCALES]
    before = {row.name: p.get(row.name) for row in rows}
    fresh = {row.name: _other(p, row, before[row.name]) for row in rows}
    p.must(m.Restore(0, 1))
    factory = {row.name: p.get(row.name) for row in rows if not row.stored}
    p.must(m.Restore(0, 0))
    try:
        for name, value in fresh.items():
            answer = p.ask(m.Set(0, BY_NAME[name].id, value))
            p.check(isinstance(answer, m.Parameter), f"set {name} to {value} was answered with {answer}")
        p.check(p.flag(Flag.UNSAVED), "settings were changed and the flag `unsaved` is not set")
        p.must(m.Save(0))
        p.check(not p.flag(Flag.UNSAVED), "settings were saved and the flag `unsaved` is still set")
        for name, value in before.items():
            p.ask(m.Set(0, BY_NAME[name].id, value))
        p.must(m.Restore(0, 0))
        for row in rows:
            got = p.get(row.name)
            wanted = fresh[row.name] if row.stored else factory[row.name]
            what = "was saved as" if row.stored else "is not saved; its default is"
            p.check(got == wanted, f"{row.name} {what} {wanted} and reads {got} after restore")
        p.check(not p.flag(Flag.UNSAVED), "after restore the flag `unsaved` is set")
    finally:
        for name, value in before.items():
            p.ask(m.Set(0, BY_NAME[name].id, value))
        p.ask(m.Save(0))


def _other(p: Probe, row: Param, now: int) -> int:
    """Another value near the present one, without a fault."""
    low, high = edges(p, row)
    if row.name in LIMITS:
        return now + 1 if now < high else now - 1
    if row.name == "travel-min":
        return now - 1000
    return now + 1 if now < high else max(low, now - 1)


@check("PARAM-07", "restore-0x54", "`restore` from the factory puts defaults in force, and what is stored stays.",
       "The stored copy is overwritten at once.", needs="store")  # fmt: skip
def factory(p: Probe) -> None:
    rows = [row for row in PARAMETERS if row.scope == "axis" and row.stored and row.name not in SCALES]
    before = {row.name: p.get(row.name) for row in rows}
    p.set("stall-time", before["stall-time"] + 11)
    p.must(m.Save(0))
    try:
        p.must(m.Restore(0, 1))
        one = {row.name: p.get(row.name) for row in rows}
        for row in rows:
            p.check(row.lo <= one[row.name] <= row.hi, f"the factory's {row.name} is {one[row.name]}, outside its "
                "range")
        p.check(one["stall-time"] != before["stall-time"] + 11, "restore from the factory left a saved value in force")
        p.must(m.Restore(0, 0))
        got = p.get("stall-time")
        p.check(got == before["stall-time"] + 11, f"after factory and stored, stall-time reads {got}; saved was "
                f"{before['stall-time'] + 11}")  # fmt: skip
    finally:
        for name, value in before.items():
            p.ask(m.Set(0, BY_NAME[name].id, value))
        p.ask(m.Save(0))


@check("PARAM-08", PLACE, "A parameter written `at rest` only is refused with `wrong-state` in motion; the others may "
    "be "
       "written.", "The write rule of a parameter is not looked up.", level=Level.SPAN)  # fmt: skip
def in_motion(p: Probe) -> None:
    with motion(p) as span:
        for row in PARAMETERS:
            if row.scope != "axis" or row.name in (*LIMITS, "telemetry-rate", "telemetry-select", "owner-timeout"):
                continue
            now = p.get(row.name)
            if p.state() != State.RUNNING:
                span.go_low()
                p.must(m.Run(0, max(1000, span.speed // 10)))
                p.hear(0.05)
            value = now if row.name in SCALES or row.name.startswith("travel") else _other(p, row, now)
            answer = p.ask(m.Set(0, row.id, value))
            if row.write == STILL:
                right = isinstance(answer, m.Refused) and (answer.code, answer.item) == (
                    Refusal.WRONG_STATE, int(State.RUNNING))  # fmt: skip
                p.check(right, f"set {row.name} in motion was answered with {answer}; it may be written at rest only")
            elif row.write == ANY:
                p.check(isinstance(answer, m.Parameter), f"set {row.name} in motion was answered with {answer}")
            if isinstance(answer, m.Parameter):
                p.ask(m.Set(0, row.id, now))
        answer = p.ask(m.Restore(0, 0))
        right = isinstance(answer, m.Refused) and answer.code == Refusal.WRONG_STATE
        p.check(right, f"restore in motion was answered with {answer}")


@check("PARAM-09", PLACE, "A change of direction, teeth or encoder counts ends the calibration.",
       "The travel stays valid though its numbers mean other places now.")  # fmt: skip
def scale_ends_travel(p: Probe) -> None:
    for name in SCALES:
        here = p.position()
        for end, value in (("travel-min", here - 20_000), ("travel-max", here + 20_000)):
            p.set(end, value)
        with p.owned():
            p.must(m.SetReference(0, here))
        if not p.flag(Flag.CALIBRATED):
            raise Broken("with both ends given and a reference set, the axis is not calibrated")
        now = p.get(name)
        p.set(name, 1 - now if name == "direction" else now + 1)
        p.check(not p.flag(Flag.CALIBRATED), f"after a change of {name} the axis is still calibrated")
        p.set(name, now)
    p.put_back()


@check("PARAM-10", PLACE, "An upper travel limit that is not above the lower one means that the axis is not "
    "calibrated.",
       "Only the flag of the search counts.")  # fmt: skip
def empty_travel(p: Probe) -> None:
    here = p.position()
    with p.owned():
        for high in (here, here - 1000):
            p.set("travel-min", here)
            p.set("travel-max", high)
            p.ask(m.SetReference(0, here))
            p.check(not p.flag(Flag.CALIBRATED), f"with a travel of {here} to {high} the axis is calibrated")
            p.no(m.Move(0, here, 0), Refusal.NOT_CALIBRATED, p.axis, "without a travel")
    p.put_back()


@check("PARAM-11", PLACE, "Writing `travel-min` and `travel-max` counts as setting both ends.",
       "Only `set-travel` makes the travel known, or one end is enough.")  # fmt: skip
def written_ends(p: Probe) -> None:
    here = p.position()
    ends = {"travel-min": here - 20_000, "travel-max": here + 20_000}
    for first, second in (tuple(ends), tuple(ends)[::-1]):
        now = p.get("direction")
        for value in (1 - now, now):  # a change ends the calibration
            p.set("direction", value)
        p.check(not p.flag(Flag.CALIBRATED), "a change of direction did not end the calibration")
        p.set(first, ends[first])
        p.check(not p.flag(Flag.CALIBRATED), f"with {first} alone written the axis is calibrated")
        p.set(second, ends[second])
        p.check(p.flag(Flag.CALIBRATED), f"with {first} and {second} written the axis is not calibrated")
    p.put_back()
