"""One axis as firmware runs it: state table, ramp, limits, ownership, faults, calibration. Stepped once a millisecond.

Decisions come from the tables in protocol/ (`states.TABLE`, `codes.FAULTS`); this module carries them out.
"""

from __future__ import annotations

from typing import Any, NamedTuple

from ringlet.hwsim.drive import Drive, DriveReading
from ringlet.hwsim.finding import Finding
from ringlet.hwsim.ramp import RampLimits
from ringlet.hwsim.ramp_fixed import FixedRamp
from ringlet.hwsim.settings import Settings, Store
from ringlet.protocol.codes import FAULTS, Fault, Flag, Refusal
from ringlet.protocol.items import marks_check, text_check
from ringlet.protocol.params import BY_ID, NEVER, STILL
from ringlet.protocol.states import STATES, TABLE, State

TRAVEL_COUNTS = 65535
LIMIT_PARAMETERS = frozenset({"velocity-limit", "acceleration-limit", "deceleration-limit", "jerk-limit"})
DRIVE_PARAMETERS = frozenset(
    {"direction", "motor-teeth", "ring-teeth", "encoder-counts", "backlash", "backlash-compensation",
     "position-gain", "velocity-gain"}
)  # fmt: skip
STANDING_MDEG_S = 500.0
"""Slower than this counts as no motion when a stall is judged; our choice."""
DERATE_BAND = 200
"""Torque is reduced over this band below the winding limit, in tenths of a degree (see `winding-limit`)."""


class No(NamedTuple):
    """A refusal: why, and the offending item."""

    code: Refusal
    item: int


class Axis:
    """Firmware of one axis around a simulated drive."""

    def __init__(self, index: int, drive: Drive, factory: dict[str, int], store: Store) -> None:
        self.index, self.drive, self.store = index, drive, store
        self.own_settings = drive.settings
        self.settings = Settings("axis", factory)
        self.start()

    # --- power -------------------------------------------------------------------------------------------------

    def start(self) -> None:
        """Power-up: load settings; nothing moves, nobody owns the axis, the position is not known."""
        self.state = State.STARTING
        self.ramp = FixedRamp(RampLimits(1e5, 1e6, 1e6, 1e7))
        self.offset = 0
        self.placed = False
        self.owner = 0
        self.owner_left = 0
        self.after = "hold"
        self.staged: tuple[int, int, int] | None = None
        self.finding: Finding | None = None
        self.latched: set[Fault] = set()
        self.present: set[Fault] = set()
        self.clamped = self.on_target = False
        self.marks: list[tuple[int, int]] = []
        self.marks_unit = 0
        self.open_marks: tuple[int, int, dict[int, tuple[int, int]]] | None = None
        self.texts: dict[int, list[bytes]] = {}
        self.open_texts: dict[int, dict[int, bytes]] = {}
        self._stalled_ms = 0
        self._ends_set: set[int] = set()
        self.news: list[tuple[str, int]] = []
        """things to tell unasked: ("fault", code) or ("owner", who was put out)"""
        self.restore_stored(report=True)
        self.drive.power_cycle()
        self.reading = self.drive.tick(False, 0.0, 0.0, 0.0, 0.0)
        self.ramp.reset(self.position)
        self._event("ready")

    # --- settings ----------------------------------------------------------------------------------------------

    def restore_stored(self, *, report: bool = False) -> None:
        """Put settings, marks and texts back to what was last saved."""
        content, broken = self.store.load()
        content = content or {}
        self.settings.load(content.get("parameters", {}))
        self.marks = [(int(a), int(b)) for a, b in content.get("marks", [])]
        self.marks_unit = int(content.get("unit", 0))
        self.texts = {int(item): [bytes.fromhex(p) for p in parts] for item, parts in content.get("texts", {}).items()}
        self._saved = self._content()
        if broken and report:
            self.latched.add(Fault.SETTINGS_LOST)
        self._apply_settings()

    def restore_factory(self) -> None:
        """Put settings, marks and texts back to the maker's defaults; what is stored stays until a save."""
        self.settings.load({})
        self.marks, self.marks_unit, self.texts = [], 0, {}
        self._apply_settings()

    def _content(self) -> dict[str, Any]:
        return {
            "parameters": self.settings.stored_part(),
            "marks": [list(mark) for mark in self.marks],
            "unit": self.marks_unit,
            "texts": {str(item): [part.hex() for part in parts] for item, parts in self.texts.items()},
        }

    def save(self) -> None:
        """Store everything. Raises OSError when the store cannot be written."""
        content = self._content()
        self.store.save(content)
        self._saved = content

    def set_parameter(self, number: int, value: int) -> No | None:
        """Write one parameter, or say why not."""
        row = BY_ID.get(number)
        if row is None or row.scope != "axis":
            return No(Refusal.UNKNOWN_PARAMETER, number)
        if row.write == NEVER:
            return No(Refusal.READ_ONLY, number)
        if not row.lo <= value <= row.hi:
            return No(Refusal.OUT_OF_RANGE, number)
        if row.write == STILL and not STATES[self.state].still:
            return No(Refusal.WRONG_STATE, int(self.state))
        self.settings.values[row.name] = value
        if row.name in ("travel-min", "travel-max"):
            self.placed = True
            self._apply_travel()
        elif row.name in LIMIT_PARAMETERS or row.name in DRIVE_PARAMETERS:
            self._apply_settings()
        return None

    def _apply_settings(self) -> None:
        s = self.settings
        self.ramp.limits = RampLimits(
            s["velocity-limit"], s["acceleration-limit"], s["deceleration-limit"], 1000 * s["jerk-limit"]
        )
        own = self.own_settings
        self.drive.settings = own._replace(
            direction=-1 if s["direction"] else 1,
            motor_teeth=s["motor-teeth"],
            ring_teeth=s["ring-teeth"],
            encoder_counts=s["encoder-counts"],
            backlash_mdeg=float(s["backlash"]),
            backlash_comp=bool(s["backlash-compensation"]),
            position_gain=s["position-gain"] / 100 if s["position-gain"] else own.position_gain,
            velocity_gain=own.velocity_gain * (s["velocity-gain"] / 1000 if s["velocity-gain"] else 1.0),
        )
        self._apply_travel()

    def _apply_travel(self) -> None:
        self.ramp.travel = self.travel if self.calibrated and self.finding is None else None

    # --- what is known -----------------------------------------------------------------------------------------

    @property
    def travel(self) -> tuple[int, int]:
        return self.settings["travel-min"], self.settings["travel-max"]

    @property
    def calibrated(self) -> bool:
        low, high = self.travel
        return self.placed and high > low

    @property
    def position(self) -> int:
        """Measured ring position in mdeg."""
        return round(self.reading.position_mdeg) + self.offset

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
            Flag.TORQUE_LIMITED: self.reading.torque_limited and STATES[self.state].drive,
            Flag.UNSAVED: self._content() != self._saved,
            Flag.STAGED: self.staged is not None,
            Flag.MARKS: bool(self.marks),
            Flag.DERATED: self._derating() < 1.0,
            Flag.ON_TARGET: self.on_target,
        }
        return sum(1 << bit for bit, held in bits.items() if held)

    def _derating(self) -> float:
        """Share of the torque limit that the winding's temperature leaves."""
        over = 10.0 * self.reading.winding_c - (self.settings["winding-limit"] - DERATE_BAND)
        return min(1.0, max(0.0, 1.0 - over / DERATE_BAND))

    def torque_limit(self) -> float:
        """Torque limit in force at the motor's output shaft, in mN.m."""
        name = STATES[self.state].torque
        if not name:
            return 0.0
        limit = self.settings[name]
        if not self.calibrated:
            limit = min(limit, self.settings["torque-finding"])
        return limit * self._derating()

    # --- requests ------------------------------------------------------------------------------------------------

    def may(self, event: str, body: Any) -> No | None:
        """Whether a request that the state table decides on may be carried out now; changes nothing."""
        row = TABLE.get((event, self.state))
        if row is None:
            if self.state is State.FAULTED:
                return No(Refusal.FAULTED, int(min(self.latched, default=0)))
            return No(Refusal.WRONG_STATE, int(self.state))
        if row.calibrated and not self.calibrated:
            return No(Refusal.NOT_CALIBRATED, self.index)
        if event in ("move", "stage", "set-reference") and self.travel[0] < self.travel[1]:
            low, high = self.travel
            if not low <= body.position <= high:
                return No(Refusal.PAST_TRAVEL, 0 if body.position < low else 1)
        if event == "set-reference" and abs(body.position) > BY_ID[1].hi:
            return No(Refusal.OUT_OF_RANGE, 1)
        if event == "clear-fault" and self.state is State.FAULTED and self.present:
            return No(Refusal.FAULTED, int(min(self.present)))
        return None

    def do(self, event: str, body: Any, source: int) -> None:
        """Carry out a request that `may` allowed."""
        was = self.state
        row = TABLE[event, was]
        if row.to in (State.MOVING, State.RUNNING, State.FOLLOWING) and not STATES[was].drive:
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
                self.ramp.reset(round(self.ramp.position) if STATES[was].drive else self.position)
                s = self.settings
                self.finding = Finding(self.ramp, s["finding-speed"], s["finding-backoff"], s["finding-reach"])
            case "set-travel":
                self._set_travel(body.end)
            case "set-reference":
                self._rename(body.position - self.position)
                self.placed = True
                self._apply_travel()
            case "clear-fault":
                self.latched &= self.present
        self._go(row.to)

    def _set_travel(self, end: int) -> None:
        if not self.placed:
            self._ends_set.clear()
            self.placed = True
        here = self.position
        self._ends_set.add(end)
        values = self.settings.values
        values["travel-max" if end else "travel-min"] = here
        if len(self._ends_set) < 2:  # an old other end says nothing about this mounting
            values["travel-min" if end else "travel-max"] = here
        self._apply_travel()

    def _rename(self, shift: int) -> None:
        self.offset += shift
        self.ramp.reset(round(self.ramp.position) + shift)

    def take(self, source: int, force: bool) -> No | None:
        """Give the axis to a control; from another one only with force, after ramping its motion down."""
        if self.owner not in (0, source):
            if not force:
                return No(Refusal.OWNED, self.owner)
            self.news.append(("owner", self.owner))
            self.after = "hold"
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
        self.after = after
        self.finding = None
        self._apply_travel()
        self.ramp.stop()

    # --- marks and texts ---------------------------------------------------------------------------------------

    def commit_marks(self, check: int) -> No | None:
        """Take the uploaded table into use, or say why not."""
        if self.open_marks is None:
            return No(Refusal.NOT_STAGED, 0)
        unit, count, held = self.open_marks
        table = [held[i] for i in range(count) if i in held]
        rising = all(a[0] < b[0] for a, b in zip(table, table[1:], strict=False))
        if len(table) != count or not rising or marks_check(table) != check:
            return No(Refusal.CHECK_MISMATCH, len(table))
        self.marks, self.marks_unit, self.open_marks = table, unit, None
        return None

    def commit_text(self, item: int, parts: int, check: int) -> No | None:
        """Take the uploaded text into use, or say why not."""
        held = self.open_texts.get(item)
        if held is None and parts:
            return No(Refusal.NOT_STAGED, item)
        text = [(held or {})[i] for i in range(parts) if i in (held or {})]
        if len(text) != parts or text_check(text) != check:
            return No(Refusal.CHECK_MISMATCH, len(text))
        self.open_texts.pop(item, None)
        self.texts[item] = text
        return None

    # --- one millisecond ---------------------------------------------------------------------------------------

    def tick(self) -> None:
        """Advance 1 ms: ramp, drive, watchdogs, faults."""
        self.ramp.tick()
        driven = STATES[self.state].drive
        self.reading = self.drive.tick(
            driven, self.ramp.position - self.offset, self.ramp.velocity, self.ramp.acceleration, self.torque_limit()
        )
        if not driven:
            self.ramp.reset(self.position)
        if self.owner:
            self.owner_left -= 1
            if self.owner_left <= 0:
                self.news.append(("owner", self.owner))
                self.owner = 0
                self._lose_control("free" if self.settings["on-loss"] else "hold")
        self._judge(self.reading, driven)
        self._progress()

    def _progress(self) -> None:
        if self.finding is not None:
            reading = self.reading
            found = self.finding.tick(self.position, reading.velocity_mdeg_s, reading.torque_limited)
            if self.finding.failed or (found is not None and found.high <= found.low):
                self._latch(Fault.NO_STOP_FOUND)
            elif found is not None:
                self.finding = None
                values = self.settings.values
                values["travel-min"], values["travel-max"] = 0, found.high - found.low
                self._rename(-found.low)
                self.placed = True
                self._apply_travel()
                self._event("found")
        elif self.state is State.STOPPING and self.ramp.at_rest:
            self._event({"hold": "rested", "free": "rested-free", "fault": "rested-fault"}[self.after])
        elif self.state in (State.MOVING, State.RUNNING) and self.ramp.at_rest:
            self.on_target = self.state is State.MOVING
            self._event("arrived")

    def _judge(self, reading: DriveReading, driven: bool) -> None:
        s = self.settings
        causes = {
            Fault.ENCODER: not reading.encoder_ok,
            Fault.WINDING_HOT: 10.0 * reading.winding_c > s["winding-limit"],
            Fault.CASE_HOT: 10.0 * reading.case_c > s["case-limit"],
            Fault.SUPPLY_LOW: reading.supply_mv < s["supply-min"],
        }
        self.present = {fault for fault, there in causes.items() if there}
        moving = driven and self.state not in (State.HOLDING, State.FINDING) and not self.ramp.at_rest
        pushing = moving and reading.torque_limited and abs(reading.velocity_mdeg_s) < STANDING_MDEG_S
        self._stalled_ms = self._stalled_ms + 1 if pushing else 0
        if self._stalled_ms >= s["stall-time"]:
            self.present.add(Fault.STALL)
        off = abs(self.ramp.position - self.position)
        if driven and self.state is not State.FINDING and off > s["following-limit"]:
            self.present.add(Fault.FOLLOWING)
        for fault in sorted(self.present):
            self._latch(fault)
        if Fault.ENCODER in self.present:
            self.placed = False
            self._apply_travel()

    def _latch(self, fault: Fault) -> None:
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
        self.finding = None
        self.staged = None
        if row.to is State.STOPPING:
            self._ramp_down("fault")
        self._go(row.to)

    def _event(self, event: str) -> None:
        row = TABLE.get((event, self.state))
        if row is not None:
            self._go(row.to)

    def _go(self, to: State | None) -> None:
        if to is not None:
            self.state = to
        if not STATES[self.state].drive:
            self.ramp.reset(self.position)
