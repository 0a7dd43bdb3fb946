"""Broken motors: mistakes in parameters, ownership, uploads and storage."""

from __future__ import annotations

from contextlib import suppress
from typing import Any

from ringlet.hwsim.settings import Settings, Store
from ringlet.hwsim.uploads import No
from ringlet.protocol import messages as m
from ringlet.protocol.codec import Packet
from ringlet.protocol.codes import Flag, Refusal
from ringlet.protocol.header import EVERYONE
from ringlet.protocol.params import BY_ID, BY_NAME
from ringlet.tools.conform.bed import Bed, also, mutant, wrap

LIMITS = ("velocity-limit", "acceleration-limit", "deceleration-limit", "jerk-limit")


@mutant("parameter-forgotten", "one parameter of the table cannot be read", "PARAM-01")
def _(bed: Bed) -> None:
    def request(message: Packet, kind: Any, go: Any) -> Any:
        if kind.name == "get" and message.body.parameter == BY_NAME["gear-module"].id:
            return No(Refusal.UNKNOWN_PARAMETER, message.body.parameter)
        return go(message, kind)

    bed.on_request(request)


@mutant("range-off-by-one", "one count more than the range is taken", "PARAM-02")
def _(bed: Bed) -> None:
    def change(go: Any, number: int, value: int) -> Any:
        row = BY_ID.get(number)
        if row is not None and row.name == "finding-backoff" and value == row.hi + 1:
            bed.axis.settings.values[row.name] = value
            return None
        return go(number, value)

    bed.on_set(change)


@mutant("range-not-enforced", "the lower end of a range is not enforced", "PARAM-02")
def _(bed: Bed) -> None:
    def change(go: Any, number: int, value: int) -> Any:
        row = BY_ID.get(number)
        if row is not None and row.name == "stall-time" and value < row.lo:
            bed.axis.settings.values[row.name] = value
            return None
        return go(number, value)

    bed.on_set(change)


@mutant("value-in-16-bits", "one parameter is kept in 16 bits", "PARAM-03")
def _(bed: Bed) -> None:
    def change(go: Any, number: int, value: int) -> Any:
        no = go(number, value)
        if no is None and number == BY_NAME["finding-reach"].id:
            bed.axis.settings.values["finding-reach"] = value & 0xFFFF
        return no

    bed.on_set(change)


@mutant("unknown-parameter-zero", "an unknown parameter reads as 0", "PARAM-04")
def _(bed: Bed) -> None:
    def request(message: Packet, kind: Any, go: Any) -> Any:
        if kind.name == "get" and message.body.parameter not in BY_ID:
            return m.Parameter(message.body.tag, message.body.parameter, 0)
        return go(message, kind)

    bed.on_request(request)


@mutant("limits-alone", "each motion limit is checked alone, and not whether they fit together", "PARAM-05")
def _(bed: Bed) -> None:
    def change(go: Any, number: int, value: int) -> Any:
        no = go(number, value)
        row = BY_ID.get(number)
        if no is not None and row is not None and row.name in LIMITS and row.lo <= value <= row.hi:
            bed.axis.settings.values[row.name] = value
            return None
        return no

    bed.on_set(change)


@mutant("parameter-not-stored", "one parameter is left out of the stored block", "PARAM-06")
def _(bed: Bed) -> None:
    wrap(bed.axis.settings, "stored_part",
         lambda go: {name: value for name, value in go().items() if name != "on-loss"})  # fmt: skip


@mutant("telemetry-stored", "the telemetry rate is stored with the other settings", "PARAM-06")
def _(bed: Bed) -> None:
    settings: Settings = bed.axis.settings
    wrap(settings, "stored_part", lambda go: go() | {"telemetry-rate": settings.values["telemetry-rate"]})


@mutant("factory-overwrites", "restore from the factory overwrites what is stored", "PARAM-07")
def _(bed: Bed) -> None:
    wrap(bed.axis, "restore_factory", lambda go: also(go(), bed.axis.save))


@mutant("written-in-motion", "the teeth of the gear may be changed in motion", "PARAM-08")
def _(bed: Bed) -> None:
    def change(go: Any, number: int, value: int) -> Any:
        no = go(number, value)
        if no is not None and no.code is Refusal.WRONG_STATE and number == BY_NAME["motor-teeth"].id:
            return None
        return no

    bed.on_set(change)


@mutant("travel-outlives-scale", "a change of the encoder counts leaves the axis calibrated", "PARAM-09")
def _(bed: Bed) -> None:
    def change(go: Any, number: int, value: int) -> Any:
        placed = bed.axis.placed
        no = go(number, value)
        if number == BY_NAME["encoder-counts"].id:
            bed.axis.placed = placed
        return no

    bed.on_set(change)


@mutant("empty-travel-counts", "an empty travel counts as calibrated", "PARAM-10")
def _(bed: Bed) -> None:
    def say(body: m.Status) -> m.Status:
        return body._replace(flags=body.flags | bed.axis.placed << Flag.CALIBRATED)

    bed.on_body(m.Status, say)


@mutant("written-ends-unknown", "only `set-travel` makes the travel known, not writing its ends", "PARAM-11")
def _(bed: Bed) -> None:
    def change(go: Any, number: int, value: int) -> Any:
        row = BY_ID[number]
        if bed.axis.placed or row.name not in ("travel-min", "travel-max"):
            return go(number, value)
        bed.axis.settings.values[row.name] = value
        return None

    bed.on_set(change)


@mutant("refused-but-written", "a refused velocity limit is written before it is checked", "TAG-08")
def _(bed: Bed) -> None:
    def change(go: Any, number: int, value: int) -> Any:
        no = go(number, value)
        if no is not None and number == BY_NAME["velocity-limit"].id:
            bed.axis.settings.values["velocity-limit"] = max(1000, min(3_600_000, value))
        return no

    bed.on_set(change)


# --- ownership ----------------------------------------------------------------------------------------------


def _owner_check(bed: Bed, change: Any) -> None:
    wrap(bed.node, "_owner_check", change)


@mutant("free-axis-obeys", "a free axis obeys everyone", "OWN-01")
def _(bed: Bed) -> None:
    def check(go: Any, axis: Any, src: int, kind: Any) -> Any:
        no = go(axis, src, kind)
        return None if no is not None and no.code is Refusal.NOT_OWNER else no

    _owner_check(bed, check)


@mutant("status-owner", "`status` goes on telling the owner before", "OWN-02")
def _(bed: Bed) -> None:
    last = [0]

    def say(body: m.Status) -> m.Status:
        last[0] = body.owner or last[0]
        return body._replace(owner=last[0])

    bed.on_body(m.Status, say)


@mutant("settings-of-others", "settings of an owned axis may be written by everyone", "OWN-03")
def _(bed: Bed) -> None:
    _owner_check(bed, lambda go, axis, src, kind: None if kind.name == "set" else go(axis, src, kind))


@mutant("owned-item", "the refusal `owned` tells the asker and not the owner", "OWN-03")
def _(bed: Bed) -> None:
    def check(go: Any, axis: Any, src: int, kind: Any) -> Any:
        no = go(axis, src, kind)
        return no._replace(item=src) if no is not None and no.code is Refusal.OWNED else no

    _owner_check(bed, check)


@mutant("reading-closed", "faults of an owned axis are shown to its owner only", "OWN-04")
def _(bed: Bed) -> None:
    def request(message: Packet, kind: Any, go: Any) -> Any:
        if kind.name == "get-faults" and bed.axis.owner not in (0, message.src):
            return No(Refusal.OWNED, bed.axis.owner)
        return go(message, kind)

    bed.on_request(request)


@mutant("put-out-in-silence", "the control that is put out is not told", "OWN-05")
def _(bed: Bed) -> None:
    wrap(bed.axis, "take", lambda go, source, force: also(go(source, force), bed.axis.news.clear))


@mutant("force-not-read", "`take` takes the axis from another control without force too", "OWN-03")
def _(bed: Bed) -> None:
    def request(message: Packet, kind: Any, go: Any) -> Any:
        if kind.name == "take":
            message = message._replace(body=message.body._replace(force=1))
        return go(message, kind)

    bed.on_request(request)


@mutant("watchdog-missing", "a silent owner is never lost", "OWN-06")
def _(bed: Bed) -> None:
    wrap(bed.axis, "tick", lambda go: also(
        None, lambda: setattr(bed.axis, "owner_left", max(bed.axis.owner_left, 100)), go))  # fmt: skip


@mutant("watchdog-twice-as-long", "the owner's time-out counts every second tick", "OWN-06")
def _(bed: Bed) -> None:
    count = [0]

    def tick(go: Any) -> None:
        count[0] += 1
        bed.axis.owner_left += count[0] % 2
        go()

    wrap(bed.axis, "tick", tick)


@mutant("setpoints-keep-nothing", "streamed setpoints do not restart the owner's time-out", "OWN-07")
def _(bed: Bed) -> None:
    def stream(go: Any, message: Packet, kind: Any) -> None:
        left = bed.axis.owner_left
        go(message, kind)
        if kind.name.startswith("stream"):
            bed.axis.owner_left = left

    wrap(bed.node, "_stream", stream)


@mutant("keep-alive-to-all-only", "a keep-alive for one axis is passed over", "OWN-07")
def _(bed: Bed) -> None:
    def stream(go: Any, message: Packet, kind: Any) -> None:
        if kind.name != "keep-alive" or message.dst == EVERYONE:
            go(message, kind)

    wrap(bed.node, "_stream", stream)


@mutant("keep-alive-from-anyone", "a keep-alive from a control that owns nothing restarts the time-out", "OWN-08")
def _(bed: Bed) -> None:
    def stream(go: Any, message: Packet, kind: Any) -> None:
        go(message, kind)
        if kind.name == "keep-alive":
            bed.axis.heard()

    wrap(bed.node, "_stream", stream)


@mutant("settings-need-owner", "settings can be written by an owner only", "OWN-09")
def _(bed: Bed) -> None:
    def check(go: Any, axis: Any, src: int, kind: Any) -> Any:
        if kind.name == "set" and not axis.owner:
            return No(Refusal.NOT_OWNER, 0)
        return go(axis, src, kind)

    _owner_check(bed, check)


@mutant("loss-cuts-the-drive", "when the owner is lost the setpoint stands still at once", "OWN-10")
def _(bed: Bed) -> None:
    wrap(bed.axis, "_lose_control", lambda go, after: also(
        go(after), lambda: bed.axis.ramp.reset(bed.axis.ramp.position)))  # fmt: skip


@mutant("on-loss-ignored", "`on-loss` is not read: the axis always holds", "OWN-10")
def _(bed: Bed) -> None:
    wrap(bed.axis, "_lose_control", lambda go, after: go("hold"))


@mutant("forced-without-ramp", "a forced take lets the motion of the old owner go on", "OWN-11")
def _(bed: Bed) -> None:
    def take(go: Any, source: int, force: bool) -> Any:
        if force:
            bed.axis.owner = source
        return go(source, force)

    wrap(bed.axis, "take", take)


@mutant("no-floor", "owner time-outs below 50 ms can be set", "OWN-12")
def _(bed: Bed) -> None:
    def change(go: Any, number: int, value: int) -> Any:
        if number == BY_NAME["owner-timeout"].id and 0 < value < 50:
            bed.axis.settings.values["owner-timeout"] = value
            return None
        return go(number, value)

    bed.on_set(change)


# --- uploads and storage ------------------------------------------------------------------------------------


def _uploads(bed: Bed, name: str, change: Any) -> None:
    wrap(bed.axis.uploads, name, change)


@mutant("mark-value-cut", "the value of a mark is kept in 16 bits", "MARK-01")
def _(bed: Bed) -> None:
    bed.on_body(m.Mark, lambda body: body._replace(value=body.value & 0xFFFF))


@mutant("commit-without-check", "marks are taken into use whatever the check value is", "MARK-02")
def _(bed: Bed) -> None:
    def commit(go: Any, check: int) -> Any:
        uploads = bed.axis.uploads
        no = go(check)
        if no is None or no.code is not Refusal.CHECK_MISMATCH or uploads._new_marks is None:
            return no
        unit, count, held = uploads._new_marks
        if len(held) == count:
            uploads.marks, uploads.marks_unit = [held[i] for i in range(count)], unit
            return None
        return no

    _uploads(bed, "_commit_marks", commit)


@mutant("half-a-table", "a table with a mark missing is taken into use", "MARK-03")
def _(bed: Bed) -> None:
    def commit(go: Any, check: int) -> Any:
        new = bed.axis.uploads._new_marks
        if new is not None and len(new[2]) < new[1]:
            bed.axis.uploads._new_marks = new[0], len(new[2]), dict(enumerate(new[2][i] for i in sorted(new[2])))
        return go(check)

    _uploads(bed, "_commit_marks", commit)


@mutant("marks-in-place", "marks are written into the table in use", "MARK-04")
def _(bed: Bed) -> None:
    def answer(go: Any, body: Any) -> Any:
        if isinstance(body, m.PutMark) and body.index < len(bed.axis.uploads.marks):
            bed.axis.uploads.marks[body.index] = body.position, body.value
        return go(body)

    _uploads(bed, "answer_marks", answer)


@mutant("upload-stays-open", "after a commit marks can still be put", "MARK-05")
def _(bed: Bed) -> None:
    def commit(go: Any, check: int) -> Any:
        new = bed.axis.uploads._new_marks
        no = go(check)
        bed.axis.uploads._new_marks = new
        return no

    _uploads(bed, "_commit_marks", commit)


@mutant("sixty-three-marks", "the last of 64 marks is lost", "MARK-06")
def _(bed: Bed) -> None:
    def answer(go: Any, body: Any) -> Any:
        if isinstance(body, m.GetMark) and body.index == 63:
            return No(Refusal.UNKNOWN_ITEM, 63)
        return go(body)

    _uploads(bed, "answer_marks", answer)


@mutant("marks-not-saved", "`save` leaves the marks out", "MARK-07")
def _(bed: Bed) -> None:
    _uploads(bed, "content", lambda go: go() | {"marks": []})


@mutant("last-part-lost", "a text of sixteen parts loses its last", "TEXT-01")
def _(bed: Bed) -> None:
    def answer(go: Any, body: Any) -> Any:
        if isinstance(body, m.GetText) and body.item & 15 == 15:
            return No(Refusal.UNKNOWN_ITEM, body.item >> 4)
        return go(body)

    _uploads(bed, "answer_text", answer)


@mutant("text-without-check", "a text is taken into use whatever the check value is", "TEXT-02")
def _(bed: Bed) -> None:
    from ringlet.protocol.items import text_check

    def commit(go: Any, item: int, count: int, check: int) -> Any:
        held = bed.axis.uploads._new_texts.get(item) or {}
        parts = [held[i] for i in range(count) if i in held]
        return go(item, count, text_check(parts))

    _uploads(bed, "_commit_text", commit)


@mutant("maker-writable", "the maker's name can be written", "TEXT-03")
def _(bed: Bed) -> None:
    def request(message: Packet, kind: Any, go: Any) -> Any:
        if kind.name == "put-text" and message.body.item >> 4 == 0:
            return m.Done(message.body.tag, kind.code)
        return go(message, kind)

    bed.on_request(request)


@mutant("text-begun-anywhere", "a text may begin with any part", "TEXT-04")
def _(bed: Bed) -> None:
    def answer(go: Any, body: Any) -> Any:
        if isinstance(body, m.PutText):
            bed.axis.uploads._new_texts.setdefault(body.item >> 4, {})
        return go(body)

    _uploads(bed, "answer_text", answer)


@mutant("owner-outlives-power", "the owner is kept in memory that power-up does not clear", "POWER-01")
def _(bed: Bed) -> None:
    def start(go: Any) -> None:
        owner = bed.axis.owner
        go()
        bed.axis.owner, bed.axis.owner_left = owner, 60_000

    wrap(bed.axis, "start", start)


@mutant("written-at-each-set", "every set is stored at once", "POWER-02")
def _(bed: Bed) -> None:
    bed.on_set(lambda go, number, value: also(go(number, value), bed.axis.save))


@mutant("stored-not-read", "stored settings are not read at power-up", "POWER-02")
def _(bed: Bed) -> None:
    wrap(bed.axis, "restore_stored", lambda go, report=False: bed.axis.restore_factory() if report else go())


@mutant("silent-at-power-up", "the node does not announce itself at power-up", "POWER-03")
def _(bed: Bed) -> None:
    wrap(bed.node, "_say_later", lambda go, delay, body, dst: None if dst == 127 else go(delay, body, dst))


@mutant("write-not-looked-at", "a save that fails is answered with done", "POWER-05")
def _(bed: Bed) -> None:
    def save(go: Any) -> None:
        with suppress(OSError):
            go()

    wrap(bed.axis, "save", save)


@mutant("one-copy", "settings are written over the only copy", "POWER-04")
def _(bed: Bed) -> None:
    class OneCopy(Store):
        def save(self, content: dict[str, Any]) -> None:
            self.pages.pages[1] = b""  # type: ignore[attr-defined]
            body = self.pages.read(0)
            if body:  # as if the other page were the older one
                self.pages.pages[0], self.pages.pages[1] = b"", b""  # type: ignore[attr-defined]
            super().save(content)

    bed.axis.store = OneCopy(bed.axis.store.pages)
