"""One axis as firmware runs it: state table, ramp, limits, ownership, faults, calibration. Stepped once a millisecond.

Decisions come from the tables in protocol/ (`states.TABLE`, `codes.FAULTS`); this module carries them out.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from ringlet.hwsim.drive import Drive
from ringlet.hwsim.finding import Finding
from ringlet.hwsim.ramp import RampLimits
from ringlet.hwsim.ramp_fixed import FixedRamp
from ringlet.hwsim.ramp_plan import POSITION_LIMIT
from ringlet.hwsim.settings import Settings, Store
from ringlet.hwsim.uploads import No, Uploads
from ringlet.hwsim.watch import NONE, Rest, Watch
from ringlet.protocol.behaviour import TRAVEL_COUNTS
from ringlet.protocol.codes import FAULTS, Fault, Flag, Refusal
from ringlet.protocol.params import BY_ID, NEVER, STILL
from ringlet.protocol.states import STATES, TABLE, State

LIMIT_PARAMETERS = frozenset({"velocity-limit", "acceleration-limit", "deceleration-limit", "jerk-limit"})
SCALE_PARAMETERS = frozenset({"direction", "motor-teeth", "ring-teeth", "encoder-counts"})
"""What the ring position is counted by: after a change the travel is not known any more."""
DRIVE_PARAMETERS = SCALE_PARAMETERS | {"backlash", "backlash-compensation", "position-gain", "velocity-gain"}
ENDS = ("travel-min", "travel-max")
MOTION = frozenset({"move", "move-travel", "run", "stream-ring", "stream-travel", "sync", "stage", "stage-value"})
DERATE_BAND = 200
"""Torque is reduced over this band below the winding limit, in tenths of a degree (see `winding-limit`)."""


def ramp_limits(s: Mapping[str, int]) -> RampLimits:
    """Limits of the ramp from parameters in counts."""
    return RampLimits(s["velocity-limit"], s["acceleration-limit"], s["deceleration-limit"], 1000 * s["jerk-limit"])


def limits_fit(s: Mapping[str, int]) -> bool:
    """Whether the ramp can work with these limits together (see `ramp_plan`: braking or jerk ramps of over 60 s)."""
    try:
        FixedRamp(ramp_limits(s))
    except ValueError:
        return False
    return True


RULES = tuple(STATES[state] for state in State)
"""Rows of the state table by number: looked up every millisecond, and an enumeration is slow to hash."""


class Axis:
    """Firmware of one axis around a simulated drive."""

    def __init__(self, index: int, drive: Drive, factory: dict[str, int], store: Store) -> None:
        self.index, self.drive, self.store = index, drive, store
        self.own_settings = drive.settings
        self.settings = Settings("axis", factory)
        self._numbering = 0
        """counts up whenever the ring positions get new numbers"""
        self.start()

    # --- power -------------------------------------------------------------------------------------------------

    def start(self) -> None:
        """Power-up: load settings; nothing moves, nobody owns the axis, the position is not known."""
        self.state = State.STARTING
        self.ramp = FixedRamp(ramp_limits(self.settings.factory))
        self.offset = 0
        self.placed = False
        self.owner = 0
        self.owner_left = 0
        self.after = "hold"
        self.staged: tuple[int, int, int] | None = None
        self.finding: Finding | None = None
        self.latched: set[Fault] = set()
        self.present: frozenset[Fault] = NONE
        self.clamped = self.on_target = False
        self.uploads = Uploads()
        self._watch, self._rest = Watch(), Rest()
        self._ends_set: set[int] = set()
        self._rescaled = False
        self._saved_numbering = -1
        self.news: list[tuple[str, int]] = []
        """things to tell unasked: ("fault", code) or ("owner", who was put out)"""
        self.restore_stored(report=True)
        self.drive.power_cycle()
        self.reading = self.drive.tick(False, 0.0, 0.0, 0.0, 0.0)
        self._rescaled = False
        self.ramp.reset(self.position)
        self._event("ready")

    # --- settings ----------------------------------------------------------------------------------------------

    def restore_stored(self, *, report: bool = False) -> None:
        """Put settings, marks and texts back to what was last saved."""
        content, broken = self.store.load()
        self._load(content or {})
        self._saved = self._content()
        if broken and report:
            self.latch(Fault.SETTINGS_LOST)

    def restore_factory(self) -> None:
        """Put settings, marks and texts back to the maker's defaults; what is stored stays until a save."""
        self._load({})

    def _load(self, content: dict[str, Any]) -> None:
        was = dict(self.settings.values)
        self.settings.load(content.get("parameters", {}))
        self.uploads.load(content)
        now = self.settings.values
        # A stored travel belongs to the numbers that the positions had when it was saved.
        moved = any(was[name] != now[name] for name in ENDS) and self._numbering != self._saved_numbering
        if moved or any(was[name] != now[name] for name in SCALE_PARAMETERS):
            self._lose_place()
        self._apply_settings()

    def _content(self) -> dict[str, Any]:
        return {"parameters": self.settings.stored_part(), **self.uploads.content()}

    def save(self) -> None:
        """Store everything. Raises OSError when the store cannot be written."""
        content = self._content()
        self.store.save(content)
        self._saved = content
        self._saved_numbering = self._numbering

    def set_parameter(self, number: int, value: int) -> No | None:
        """Write one parameter, or say why not."""
        row = BY_ID.get(number)
        if row is None or row.scope != "axis":
            return No(Refusal.UNKNOWN_PARAMETER, number)
        if row.write == NEVER:
            return No(Refusal.READ_ONLY, number)
        if not row.lo <= value <= row.hi:
            return No(Refusal.OUT_OF_RANGE, number)
        if row.write == STILL and not RULES[self.state].still:
            return No(Refusal.WRONG_STATE, int(self.state))
        values = self.settings.values
        if row.name in LIMIT_PARAMETERS and not limits_fit(values | {row.name: value}):
            return No(Refusal.OUT_OF_RANGE, number)
        changed, values[row.name] = values[row.name] != value, value
        if row.name in ENDS:
            self._end_known(ENDS.index(row.name))
        elif row.name in SCALE_PARAMETERS and changed:
            self._lose_place()
        if row.name in LIMIT_PARAMETERS or row.name in DRIVE_PARAMETERS:
            self._apply_settings()
        return None

    def _end_known(self, end: int) -> None:
        """One end of the travel was given in the present numbers; from both the travel is known."""
        if not self.placed:
            self._ends_set.add(end)
            self.placed = len(self._ends_set) == 2
        self._apply_travel()

    def _lose_place(self) -> None:
        """The numbers of ring positions mean nothing any more."""
        self.placed = False
        self.staged = None
        self._ends_set.clear()
        self._numbering += 1

    def _apply_settings(self) -> None:
        s = self.settings
        self.ramp.limits = ramp_limits(s.values)
        own = self.own_settings
        drive = own._replace(
            direction=-1 if s["direction"] else 1,
            motor_teeth=s["motor-teeth"],
            ring_teeth=s["ring-teeth"],
            encoder_counts=s["encoder-counts"],
            backlash_mdeg=float(s["backlash"]),
            backlash_comp=bool(s["backlash-compensation"]),
            position_gain=s["position-gain"] / 100 if s["position-gain"] else own.position_gain,
            velocity_gain=own.velocity_gain * (s["velocity-gain"] / 1000 if s["velocity-gain"] else 1.0),
        )
        if drive != self.drive.settings:
            self.drive.settings = drive
            self._rescaled = True
        self._apply_travel()

    def _apply_travel(self) -> None:
        self.ramp.travel = self.travel if self.calibrated and self.finding is None else None

    # --- what is known -----------------------------------------------------------------------------------------

    @property
    def travel(self) -> tuple[int, int]:
        return self.settings["travel-min"], self.settings["travel-max"]

    @property
    def calibrated(self) -> bool:
        values = self.settings.values
        return self.placed and values["travel-max"] > values["travel-min"]

    @property
    def position(self) -> int:
        """Measured ring position in mdeg."""
        here = round(self.reading.position_mdeg) + self.offset
        return here if -POSITION_LIMIT <= here <= POSITION_LIMIT else max(-POSITION_LIMIT, min(POSITION_LIMIT, here))

    def ring_of_share(self, share: int) -> int:
        """Ring position of a share of the travel, rounded to the nearest mdeg."""
        low, high = self.travel
        return low + ((high - low) * share + TRAVEL_COUNTS // 2) // TRAVEL_COUNTS

    def share_of_ring(self, position: int) -> int:
        """Share of the travel of a ring position, cut to 0..65535; 0 before calibration."""
        low, high = self.travel
        if not self.calibrated:
            return 0
        return min(TRAVEL_COUNTS, max(0, ((position - low) * TRAVEL_COUNTS + (high - low) // 2) // (high - low)))

    @property
    def flags(self) -> int:
        low, high = self.travel
        at = round(self.ramp.position)
        bits = {
            Flag.CALIBRATED: self.calibrated,
            Flag.IN_MOTION: not self.ramp.at_rest,
            Flag.AT_LOW: self.calibrated and at <= low,
            Flag.AT_HIGH: self.calibrated and at >= high,
            Flag.CLAMPED: self.clamped,
            Flag.TORQUE_LIMITED: self.reading.torque_limited and RULES[self.state].drive,
            Flag.UNSAVED: self._content() != self._saved,
            Flag.STAGED: self.staged is not None,
            Flag.MARKS: bool(self.uploads.marks),
            Flag.DERATED: self._derating() < 1.0,
            Flag.ON_TARGET: self.on_target,
        }
        return sum(1 << bit for bit, held in bits.items() if held)

    @property
    def first_fault(self) -> int:
        """The latched fault that matters most: those that only report come last. 0 for none."""
        return int(min(self.latched, key=lambda fault: (FAULTS[fault].reaction == "note", fault), default=0))

    @property
    def braking_fault(self) -> bool:
        """Ramping down because of a fault: nothing may start a motion."""
        return self.state is State.STOPPING and self.after == "fault"

    def _derating(self) -> float:
        """Share of the torque limit that the winding's temperature leaves."""
        over = 10.0 * self.reading.winding_c - (self.settings.values["winding-limit"] - DERATE_BAND)
        return 1.0 if over <= 0.0 else max(0.0, 1.0 - over / DERATE_BAND)

    def torque_limit(self) -> float:
        """Torque limit in force at the motor's output shaft, in mN.m."""
        name = RULES[self.state].torque
        if not name:
            return 0.0
        values = self.settings.values
        limit = values[name]
        if not self.calibrated:
            limit = min(limit, values["torque-finding"])
        return limit * self._derating()

    # --- requests ------------------------------------------------------------------------------------------------

    def may(self, event: str, body: Any) -> No | None:
        """Whether a request that the state table decides on may be carried out now; changes nothing."""
        row = TABLE.get((event, self.state))
        if row is None:
            if self.state is State.FAULTED:
                return No(Refusal.FAULTED, self.first_fault)
            return No(Refusal.WRONG_STATE, int(self.state))
        if self.braking_fault and event in MOTION:
            return No(Refusal.FAULTED, self.first_fault)
        if row.calibrated and not self.calibrated:
            return No(Refusal.NOT_CALIBRATED, self.index)
        if event in ("move", "stage", "stage-value", "set-reference"):
            place = self.uploads.place_of(body.value) if event == "stage-value" else body.position
            if isinstance(place, No):
                return place
            low, high = self.travel
            if low < high and not low <= place <= high:
                return No(Refusal.PAST_TRAVEL, 0 if place < low else 1)
        if event == "set-reference" and abs(body.position) > BY_ID[1].hi:
            return No(Refusal.OUT_OF_RANGE, 1)
        if event == "clear-fault" and self.state is State.FAULTED and self.present:
            return No(Refusal.FAULTED, int(min(self.present)))
        return None

    def do(self, event: str, body: Any, source: int) -> None:
        """Carry out a request that `may` allowed."""
        was = self.state
        row = TABLE[event, was]
        if row.to in (State.MOVING, State.RUNNING, State.FOLLOWING) and not RULES[was].drive:
            self.ramp.reset(self.position)
        if event in ("move", "move-travel", "run", "stream-ring", "stream-travel", "sync", "find-stops"):
            self.on_target = False
        match event:
            case "move":
                self.ramp.move(body.position, body.speed or None)
            case "move-travel":
                self.ramp.move(self.ring_of_share(body.travel), body.speed or None)
            case "run":
                most = self.settings["velocity-limit" if self.calibrated else "finding-speed"]
                self.ramp.run(max(-most, min(most, body.velocity)))
            case "stream-ring" | "stream-travel":
                low, high = self.travel
                wanted = body.position if event == "stream-ring" else self.ring_of_share(body.travel)
                self.clamped = not low <= wanted <= high
                self.ramp.move(max(low, min(high, wanted)))
            case "stage":
                self.staged = (body.position, body.speed, source)
            case "stage-value":
                self.staged = (self.uploads.place_of(body.value), body.speed, source)
            case "sync":
                position, speed, _ = self.staged or (round(self.ramp.position), 0, 0)
                self.staged = None
                self.ramp.move(position, speed or None)
            case "hold" | "release" | "stop" | "yield":
                self.staged = None
                if row.to is State.STOPPING:
                    self._ramp_down("free" if event == "release" else "hold")
                elif event == "hold" and was is State.RELEASED:
                    self.ramp.reset(self.position)
                if event == "yield":
                    self.owner = 0
            case "find-stops":
                self.staged = None
                self.ramp.reset(round(self.ramp.position) if RULES[was].drive else self.position)
                s = self.settings
                self.finding = Finding(self.ramp, s["finding-speed"], s["finding-backoff"], s["finding-reach"])
            case "set-travel":
                self._set_travel(body.end)
            case "set-reference":
                self.staged = None
                self._rename(body.position - self.position)
                self.placed = True
                self._apply_travel()
            case "clear-fault":
                if was is State.FAULTED:
                    self.latched.clear()
                else:
                    self.latched = {fault for fault in self.latched if FAULTS[fault].reaction != "note"}
        self._go(row.to)

    def _set_travel(self, end: int) -> None:
        here = self.position
        values = self.settings.values
        if len(self._ends_set | {end}) < 2:  # an old other end says nothing about this mounting
            values[ENDS[1 - end]] = here
            self.placed = False
        values[ENDS[end]] = here
        self._end_known(end)

    def _rename(self, shift: int) -> None:
        self.offset += shift
        self._numbering += 1
        self._ends_set.clear()
        self.ramp.reset(max(-POSITION_LIMIT, min(POSITION_LIMIT, round(self.ramp.position) + shift)))

    def take(self, source: int, force: bool) -> No | None:
        """Give the axis to a control; from another one only with force, after ramping its motion down."""
        if self.owner not in (0, source):
            if not force:
                return No(Refusal.OWNED, self.owner)
            self.news.append(("owner", self.owner))
            self._lose_control("hold")
        self.owner = source
        self.heard()
        return None

    def heard(self) -> None:
        """The owner has spoken."""
        self.owner_left = self.settings["owner-timeout"]

    def _lose_control(self, after: str) -> None:
        row = TABLE.get(("owner-lost", self.state))
        self.staged = None
        if row is not None:
            self._ramp_down(after)
            self._go(row.to)

    def _ramp_down(self, after: str) -> None:
        if not self.braking_fault:
            self.after = after
        if self.finding is not None and self.finding.pushing:
            self.ramp.reset(self.position)  # the setpoint has run on past the stop: push no longer
        self.finding = None
        self._apply_travel()
        self.ramp.stop()

    # --- one millisecond ---------------------------------------------------------------------------------------

    def tick(self) -> None:
        """Advance 1 ms: ramp, drive, watchdogs, faults."""
        self.ramp.tick()
        driven = RULES[self.state].drive
        ramp, last = self.ramp, self.reading
        if not driven and self._rest.holds(self.drive):
            supply_mv = 1e3 * self.drive.supply.bus_v
            if supply_mv != last.supply_mv:
                self.reading = last._replace(supply_mv=supply_mv)
        else:
            if driven:
                self._rest.ticks = 0
            self.reading = self.drive.tick(
                driven, ramp.position - self.offset, ramp.velocity, ramp.acceleration, self.torque_limit()
            )
            if self._rescaled:
                # The drive counts in a new scale: the place where the ring stands keeps its number.
                self.offset += round(last.position_mdeg) - round(self.reading.position_mdeg)
                self._rescaled = False
            if not driven and self.position != ramp.position:
                ramp.reset(self.position)
        if self.owner:
            self.owner_left -= 1
            if self.owner_left <= 0:
                self.news.append(("owner", self.owner))
                self.owner = 0
                self._lose_control("free" if self.settings["on-loss"] else "hold")
        self._judge(driven, ramp)
        self._progress()

    def _progress(self) -> None:
        if self.finding is not None:
            reading = self.reading
            found = self.finding.tick(self.position, reading.velocity_mdeg_s, reading.torque_limited)
            if self.finding.failed or (found is not None and found.high <= found.low):
                self.latch(Fault.NO_STOP_FOUND)
            elif found is not None:
                self.finding = None
                values = self.settings.values
                values.update(zip(ENDS, (0, found.high - found.low), strict=True))
                self._rename(-found.low)
                self.placed = True
                self._apply_travel()
                self._event("found")
        elif self.state is State.HOLDING or not self.ramp.at_rest:
            return  # nothing to come to rest
        elif self.state is State.STOPPING:
            self._event({"hold": "rested", "free": "rested-free", "fault": "rested-fault"}[self.after])
        elif self.state is State.MOVING or self.state is State.RUNNING:
            self.on_target = self.state is State.MOVING
            self._event("arrived")

    def _judge(self, driven: bool, ramp: FixedRamp) -> None:
        state = self.state
        moving, off = False, 0.0
        if driven and state is not State.FINDING:
            moving = state is not State.HOLDING and not ramp.at_rest
            off = abs(ramp.position - self.position)
        self.present = self._watch.look(self.settings.values, self.reading, moving, off)
        if self.present:
            for fault in sorted(self.present):
                self.latch(fault)
            if Fault.ENCODER in self.present and self.placed:
                self._lose_place()
                self._apply_travel()

    def latch(self, fault: Fault) -> None:
        """A fault is there: keep it, tell it, and react as the table of faults says."""
        if fault in self.latched:
            return
        self.latched.add(fault)
        self.news.append(("fault", int(fault)))
        reaction = FAULTS[fault].reaction
        if reaction == "note":
            return
        row = TABLE.get((f"fault-{reaction}", self.state))
        if row is None:
            return
        self.staged = None
        if row.to is State.STOPPING:
            self._ramp_down("fault")
        self.finding = None
        self._apply_travel()
        self._go(row.to)

    def _event(self, event: str) -> None:
        row = TABLE.get((event, self.state))
        if row is not None:
            self._go(row.to)

    def _go(self, to: State | None) -> None:
        if to is not None:
            self.state = to
        if not RULES[self.state].drive:
            self.ramp.reset(self.position)
