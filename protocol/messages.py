"""Every message kind. One class is one row of the table; nothing else says what goes over the wire.

Counts are raw integers as sent; unit and scale stand beside them. Codes are grouped by job; priority 0 wins.
"""

from __future__ import annotations

from typing import Annotated, NamedTuple

from ringlet.protocol.codes import FLAG_PARTS
from ringlet.protocol.wire import I16, I24, I32, TEXT6, U8, U16, U24, U48, Field, Part, kind

Tag = Annotated[int, Field(U8, "Request: chosen by the sender and echoed in the reply. Stream: counts up, modulo 256.")]
Ring = Annotated[int, Field(I32, "Position of the lens ring.", "deg", "0.001")]
Travel = Annotated[int, Field(U16, "Share of the calibrated travel: 0 is the lower limit, 65535 the upper.", "travel")]
Speed = Annotated[int, Field(U24, "Highest speed of this move; 0 takes the velocity limit.", "deg/s", "0.001")]
UniqueId = Annotated[int, Field(U48, "The node's 48-bit unique id.")]
KindCode = Annotated[int, Field(U8, "Kind of the request that this answers.")]
Item = Annotated[
    int,
    Field(U8, "Which text, and which six bytes of it.",
          parts=(Part("part", 0, 4, "Part number, from 0."), Part("item", 4, 4, "Text: see the items."))),
]  # fmt: skip
Six = Annotated[bytes, Field(TEXT6, "Six bytes of UTF-8 text; the last part is filled up with zero bytes.")]
Check = Annotated[int, Field(U16, "CRC-16 (the framing's polynomial) over the items' bytes in order.")]
TargetNode = Annotated[int, Field(U8, "Address of the node that is meant.", lo=16, hi=126)]
TargetAxis = Annotated[int, Field(U8, "Number of the axis that is meant.", hi=7)]
MarkIndex = Annotated[int, Field(U8, "Number of the mark, from 0, in rising ring position.", hi=63)]
MarkRing = Annotated[int, Field(I24, "Ring position of the mark.", "deg", "0.001")]
MarkValue = Annotated[
    int, Field(U24, "Value at the mark, in the table's own unit.", reserved=((0xFFFFFF, "infinity"),))
]
Micro = Annotated[int, Field(U48, "Time of the bus clock.", "us")]
Fault_ = Annotated[int, Field(U8, "The fault.", values="fault")]
UnitKind = Annotated[int, Field(U8, "What the values of the table mean.", values="unit-kind")]


# --- priority 0 and 1: stop, and what must be on time -------------------------------------------------------------


@kind(0x01, "stop", priority=0, role="request", reply="done", broadcast=True)
class Stop(NamedTuple):
    """Ramp down within the deceleration limit, then hold; anyone may send it, and to everyone without a reply."""

    tag: Tag


@kind(0x02, "sync", priority=1, role="stream", broadcast=True)
class Sync(NamedTuple):
    """Staged setpoints become active in the tick that follows; only the staging control's own count."""

    tag: Tag


@kind(0x03, "clock", priority=1, role="stream", scope="node", broadcast=True)
class Clock(NamedTuple):
    """Set the node's clock to the bus clock."""

    tag: Tag
    time: Micro


@kind(0x04, "timecode", priority=1, role="stream", scope="node", broadcast=True)
class Timecode(NamedTuple):
    """Time address of the present frame, as SMPTE ST 12-1 counts it."""

    tag: Tag
    hours: Annotated[int, Field(U8, "Hours.", "h", hi=23)]
    minutes: Annotated[int, Field(U8, "Minutes.", "min", hi=59)]
    seconds: Annotated[int, Field(U8, "Seconds.", "s", hi=59)]
    frames: Annotated[int, Field(U8, "Frames.", "frames", hi=59)]
    rate: Annotated[int, Field(U8, "Frame rate and counting.", values="rate")]


@kind(0x05, "keep-alive", priority=2, role="stream", broadcast=True)
class KeepAlive(NamedTuple):
    """The owner is still there: restart the owner time-out on each axis that it owns."""

    tag: Tag


@kind(0x06, "stream-ring", priority=2, role="stream", owner="must")
class StreamRing(NamedTuple):
    """Follow this setpoint; past a travel limit it is cut to the limit and flagged."""

    tag: Tag
    position: Ring


@kind(0x07, "stream-travel", priority=2, role="stream", owner="must")
class StreamTravel(NamedTuple):
    """Follow this setpoint, given as a share of the travel, for controls that do not know the lens."""

    tag: Tag
    travel: Travel


@kind(0x08, "range", priority=2, role="stream", scope="node", broadcast=True)
class Range(NamedTuple):
    """A reading of the distance to the subject; nodes and controls may use it, none must."""

    tag: Tag
    distance: Annotated[int, Field(U24, "Distance.", "mm", reserved=((0xFFFFFF, "no reading"),), hi=0xFFFFFE)]
    quality: Annotated[int, Field(U8, "Trust in the reading, 0 none to 255 full.")]
    age: Annotated[int, Field(U16, "Time since the reading was made.", "ms")]
    source: Annotated[int, Field(U8, "Where the reading comes from.", values="source")]


@kind(0x09, "knob", priority=2, role="stream", scope="node", broadcast=True)
class Knob(NamedTuple):
    """Where an operator's control stands, and which axis it is meant for; for tools and controls, motors ignore it."""

    tag: Tag
    target: TargetNode
    target_axis: TargetAxis
    place: Annotated[int, Field(U16, "Place of the control, as a share of its own travel.", "travel")]
    known: Annotated[int, Field(U8, "Whether the control passed its index: its place is sure.", values="onoff")]


@kind(0x0A, "guide", priority=2, role="stream", scope="node", broadcast=True)
class Guide(NamedTuple):
    """Where a control must go to meet its motor before it takes over; for any display or light, motors ignore it."""

    tag: Tag
    target: TargetNode
    target_axis: TargetAxis
    distance: Annotated[int, Field(I24, "Motor less control, on the ring; above 0: go up.", "deg", "0.001")]
    phase: Annotated[int, Field(U8, "How far the hand-back has come.", values="hand-back")]


# --- priority 3: motion ----------------------------------------------------------------------------------------------


@kind(0x10, "move", priority=3, role="request", reply="done", owner="must")
class Move(NamedTuple):
    """Go to a ring position and stop there; refused when it lies past a travel limit."""

    tag: Tag
    position: Ring
    speed: Speed


@kind(0x11, "move-travel", priority=3, role="request", reply="done", owner="must")
class MoveTravel(NamedTuple):
    """Go to a share of the travel and stop there."""

    tag: Tag
    travel: Travel
    speed: Speed


@kind(0x12, "run", priority=3, role="request", reply="done", owner="must")
class Run(NamedTuple):
    """Turn at a velocity until told otherwise; ends exactly at the travel limit, and slowly before calibration."""

    tag: Tag
    velocity: Annotated[int, Field(I24, "Velocity of the ring.", "deg/s", "0.001")]


@kind(0x13, "hold", priority=3, role="request", reply="done", owner="must")
class Hold(NamedTuple):
    """Ramp down if moving, and hold the ring where it comes to rest; switches a released drive on."""

    tag: Tag


@kind(0x14, "release", priority=3, role="request", reply="done", owner="must")
class Release(NamedTuple):
    """Ramp down if moving, then switch the drive off: the ring turns free by hand."""

    tag: Tag


@kind(0x15, "stage", priority=3, role="request", reply="done", owner="must")
class Stage(NamedTuple):
    """Keep a move ready until `sync`, so that several motors start in one tick."""

    tag: Tag
    position: Ring
    speed: Speed


@kind(0x16, "find-stops", priority=3, role="request", reply="done", owner="must")
class FindStops(NamedTuple):
    """Touch both end stops with reduced speed and torque, back off, and store the travel inside them.

    The lower end of the travel is position 0 afterwards. Answered when the search begins; its end shows in the status.
    Not for a ring without hard stops.
    """

    tag: Tag


@kind(0x17, "set-travel", priority=3, role="request", reply="done", owner="must")
class SetTravel(NamedTuple):
    """Make the present ring position one end of the travel: for a ring without hard stops.

    The travel is known when both ends have been set since power-up.
    """

    tag: Tag
    end: Annotated[int, Field(U8, "Which end.", values="end")]


@kind(0x18, "set-reference", priority=3, role="request", reply="done", owner="must")
class SetReference(NamedTuple):
    """Call the present ring position by this number; travel and marks keep their numbers.

    After a power cycle this makes the stored travel and marks valid again without finding the stops.
    """

    tag: Tag
    position: Ring


@kind(0x19, "clear-fault", priority=3, role="request", reply="done")
class ClearFault(NamedTuple):
    """Forget latched faults whose cause is gone; anyone may send it, nothing moves."""

    tag: Tag


@kind(0x1A, "stage-value", priority=3, role="request", reply="done", owner="must")
class StageValue(NamedTuple):
    """As `stage`, to the place that the axis' own table of marks gives for this value: pairs meet by one number.

    Refused as an unknown item without a table, and as out of range for a value that lies between no two marks.
    """

    tag: Tag
    value: MarkValue
    speed: Speed


# --- priority 3: ownership -------------------------------------------------------------------------------------------


@kind(0x20, "take", priority=3, role="request", reply="done")
class Take(NamedTuple):
    """Become the owner of the axis; with force, from another control, whose motion is ramped down first."""

    tag: Tag
    force: Annotated[int, Field(U8, "Take it from another owner.", values="onoff")]


@kind(0x21, "yield", priority=3, role="request", reply="done", owner="must")
class Yield(NamedTuple):
    """Give the axis up; it ramps down, holds, and is free."""

    tag: Tag


@kind(0x22, "get-owner", priority=3, role="request", reply="owner")
class GetOwner(NamedTuple):
    """Ask who owns the axis."""

    tag: Tag


@kind(0x23, "owner", priority=4, role="reply", sender="node")
class Owner(NamedTuple):
    """Who owns the axis; also sent unasked, where a node may speak unasked, when an owner is put out or lost."""

    tag: Tag
    owner: Annotated[int, Field(U8, "Address of the owner, 0 when free.", hi=127)]
    left: Annotated[int, Field(U16, "Time until the owner counts as lost; 65535 is that or longer, 0 when free.", "ms")]


# --- priority 4: answers ---------------------------------------------------------------------------------------------


@kind(0x30, "done", priority=4, role="reply", sender="node")
class Done(NamedTuple):
    """The request was carried out, or has begun where it takes time."""

    tag: Tag
    of: KindCode


@kind(0x31, "refused", priority=4, role="reply", sender="node")
class Refused(NamedTuple):
    """The request was not carried out, and changed nothing."""

    tag: Tag
    of: KindCode
    code: Annotated[int, Field(U8, "Why.", values="refusal")]
    item: Annotated[int, Field(U16, "The offending item: see the table of refusals.")]


# --- priority 5: what an axis reports ------------------------------------------------------------------------------


@kind(0x40, "get-status", priority=4, role="request", reply="status")
class GetStatus(NamedTuple):
    """Ask for the status of one axis."""

    tag: Tag


@kind(0x41, "status", priority=5, role="reply", sender="node")
class Status(NamedTuple):
    """State, flags, first fault and owner of one axis. The travel is where the ring stands, 0 before it is known."""

    tag: Tag
    state: Annotated[int, Field(U8, "State of the axis: see the state table.", values="state")]
    flags: Annotated[int, Field(U16, "What holds just now.", parts=FLAG_PARTS)]
    fault: Fault_
    owner: Annotated[int, Field(U8, "Address of the owner, 0 when free.", hi=127)]
    travel: Travel


@kind(0x42, "poll", priority=4, role="request", reply="motion")
class Poll(NamedTuple):
    """Ask for one telemetry message now; the reply is of the kind that `what` names and carries the tag."""

    tag: Tag
    what: Annotated[int, Field(U8, "Which message.", values="poll")]


@kind(0x43, "motion", priority=5, role="reply", sender="node")
class Motion(NamedTuple):
    """Telemetry: where the ring is, and how fast it turns. Sampled on a tick that is a multiple of the period."""

    tag: Tag
    position: Ring
    velocity: Annotated[int, Field(I24, "Velocity of the ring.", "deg/s", "0.001")]


@kind(0x44, "drive", priority=5, role="reply", sender="node")
class Drive(NamedTuple):
    """Telemetry: where the ring should be, and how hard the motor works; a load of 0 while the drive is off."""

    tag: Tag
    setpoint: Annotated[int, Field(I32, "Setpoint of the ring.", "deg", "0.001")]
    current: Annotated[int, Field(I16, "Motor current.", "mA")]
    load: Annotated[int, Field(U8, "Torque as a share of the limit in force.", "%")]


@kind(0x45, "health", priority=5, role="reply", sender="node")
class Health(NamedTuple):
    """Telemetry: supply and temperatures."""

    tag: Tag
    supply: Annotated[int, Field(U16, "Supply voltage.", "V", "0.001")]
    winding: Annotated[int, Field(I16, "Temperature of the winding.", "degC", "0.1")]
    case: Annotated[int, Field(I16, "Temperature of the case.", "degC", "0.1")]


@kind(0x46, "sample", priority=5, role="reply", sender="node")
class Sample(NamedTuple):
    """Telemetry: bus time of the sample whose other messages carry the same tag."""

    tag: Tag
    time: Micro


@kind(0x47, "get-faults", priority=4, role="request", reply="faults")
class GetFaults(NamedTuple):
    """Ask for all faults of one axis."""

    tag: Tag


@kind(0x48, "faults", priority=4, role="reply", sender="node")
class Faults(NamedTuple):
    """All faults of one axis; bit n is fault n."""

    tag: Tag
    present: Annotated[int, Field(U24, "Causes that are there now.")]
    latched: Annotated[int, Field(U24, "Faults not yet cleared.")]


@kind(0x49, "fault", priority=2, role="event", sender="node")
class FaultEvent(NamedTuple):
    """A fault has been latched; sent unasked where a node may speak unasked."""

    tag: Tag
    fault: Fault_
    position: Ring


@kind(0x4A, "get-clock", priority=4, role="request", scope="node", reply="clock-is")
class GetClock(NamedTuple):
    """Ask for the node's clock."""

    tag: Tag


@kind(0x4B, "clock-is", priority=4, role="reply", sender="node", scope="node")
class ClockIs(NamedTuple):
    """The node's clock when the request arrived."""

    tag: Tag
    time: Micro


# --- priority 6: settings, marks and texts -------------------------------------------------------------------------

ParameterId = Annotated[int, Field(U8, "Number of the parameter.")]
Value = Annotated[int, Field(I32, "Value in the parameter's own counts.")]


@kind(0x50, "get", priority=6, role="request", reply="parameter")
class Get(NamedTuple):
    """Read a parameter."""

    tag: Tag
    parameter: ParameterId


@kind(0x51, "set", priority=6, role="request", reply="parameter", owner="unless-free")
class Set(NamedTuple):
    """Write a parameter; in force at once, lost at power-off unless saved. On a free axis anyone may."""

    tag: Tag
    parameter: ParameterId
    value: Value


@kind(0x52, "parameter", priority=6, role="reply", sender="node")
class Parameter(NamedTuple):
    """The value now in force."""

    tag: Tag
    parameter: ParameterId
    value: Value


@kind(0x53, "save", priority=6, role="request", reply="done", owner="unless-free")
class Save(NamedTuple):
    """Store all settings, marks and texts of the axis, so that a power cut leaves the old or the new, never a mix.

    What the memory does not take is refused with `storage-failed`; of several axes those before it may be stored then.
    """

    tag: Tag


@kind(0x54, "restore", priority=6, role="request", reply="done", owner="unless-free")
class Restore(NamedTuple):
    """Put settings back, to the stored or the factory ones; what is stored stays until the next save."""

    tag: Tag
    source: Annotated[int, Field(U8, "Which settings.", values="restore")]


@kind(0x58, "open-marks", priority=6, role="request", reply="done", owner="unless-free")
class OpenMarks(NamedTuple):
    """Begin a new table of lens marks; the old one stays in use until the commit."""

    tag: Tag
    values: UnitKind
    count: Annotated[  # type: ignore[assignment]  # hides tuple.count, which a message has no use for
        int, Field(U8, "Number of marks that follow; 0 erases the table at the commit.", hi=64)
    ]


@kind(0x59, "put-mark", priority=6, role="request", reply="done", owner="unless-free")
class PutMark(NamedTuple):
    """One mark of the table being uploaded, in any order."""

    tag: Tag
    index: MarkIndex  # type: ignore[assignment]
    position: MarkRing
    value: MarkValue


@kind(0x5A, "commit-marks", priority=6, role="request", reply="done", owner="unless-free")
class CommitMarks(NamedTuple):
    """Take the new table into use if all marks are there, rise in position, and give this check value."""

    tag: Tag
    check: Check


@kind(0x5B, "get-marks", priority=6, role="request", reply="marks")
class GetMarks(NamedTuple):
    """Ask what table of marks is in use."""

    tag: Tag


@kind(0x5C, "marks", priority=6, role="reply", sender="node")
class Marks(NamedTuple):
    """The table of marks in use."""

    tag: Tag
    values: UnitKind
    count: Annotated[  # type: ignore[assignment]
        int, Field(U8, "Number of marks, 0 when there is no table.", hi=64)
    ]
    check: Check


@kind(0x5D, "get-mark", priority=6, role="request", reply="mark")
class GetMark(NamedTuple):
    """Read one mark of the table in use."""

    tag: Tag
    index: MarkIndex  # type: ignore[assignment]


@kind(0x5E, "mark", priority=6, role="reply", sender="node")
class Mark(NamedTuple):
    """One mark of the table in use."""

    tag: Tag
    index: MarkIndex  # type: ignore[assignment]
    position: MarkRing
    value: MarkValue


@kind(0x60, "get-text", priority=6, role="request", reply="text")
class GetText(NamedTuple):
    """Read six bytes of a text; maker and model belong to the node, with axis 15."""

    tag: Tag
    item: Item


@kind(0x61, "text", priority=6, role="reply", sender="node")
class Text(NamedTuple):
    """Six bytes of a text; a part that holds a zero byte is the last."""

    tag: Tag
    item: Item
    text: Six


@kind(0x62, "put-text", priority=6, role="request", reply="done", owner="unless-free")
class PutText(NamedTuple):
    """Six bytes of a new text; the old one stays until the commit. Part 0 begins anew."""

    tag: Tag
    item: Item
    text: Six


@kind(0x63, "commit-text", priority=6, role="request", reply="done", owner="unless-free")
class CommitText(NamedTuple):
    """Take the new text into use if its parts give this check value."""

    tag: Tag
    item: Annotated[int, Field(U8, "Which text.", values="item")]
    parts: Annotated[int, Field(U8, "Number of parts; 0 empties the text.", hi=16)]
    check: Check


# --- priority 7: finding nodes and giving addresses -----------------------------------------------------------------


@kind(0x70, "discover", priority=7, role="request", scope="node", reply="announce", broadcast=True)
class Discover(NamedTuple):
    """Every node with an address announces itself within the announce window; one without answers `here`.

    For CAN and for a line with one node. On a shared line use `search`, or ask each address.
    """

    tag: Tag


@kind(0x71, "announce", priority=7, role="reply", sender="node", scope="node")
class Announce(NamedTuple):
    """I have this unique id and this address (the header's source); also sent unasked at power-up."""

    tag: Tag
    id: UniqueId
    version: Annotated[
        int,
        Field(U8, "Version of the protocol.",
              parts=(Part("minor", 0, 4, "Minor version."), Part("major", 4, 4, "Major version."))),
    ]  # fmt: skip


@kind(0x72, "search", priority=7, role="request", scope="node", reply="here", broadcast=True)
class Search(NamedTuple):
    """Is there a node whose id begins with these bits? Every such node answers `here`, all with the same bytes.

    No bits asked: a new search begins and every node takes part again. A node that was assigned keeps silent after.
    """

    tag: Tag
    id: UniqueId
    bits: Annotated[
        int,
        Field(U8, "How many leading bits must match, and who is meant.",
              parts=(Part("bits", 0, 6, "Number of leading bits, 0 to 48."),
                     Part("all", 7, 1, "Also nodes that have an address."))),
    ]  # fmt: skip


@kind(0x73, "here", priority=7, role="reply", sender="node", scope="node")
class Here(NamedTuple):
    """At least one node matches. Source is 0 and the bytes are the same from all, so on CAN they merge.

    On a serial line they may garble: whoever searches takes any byte in the answer window for a yes.
    """

    tag: Tag


@kind(0x74, "assign", priority=7, role="request", scope="node", reply="announce", broadcast=True)
class Assign(NamedTuple):
    """The node with this id takes this address, announces itself from it, and keeps silent in the rest of the search.

    No other node answers. The parameter `address` is changed with it: `save` with axis 15 keeps it over a power-off.
    """

    tag: Tag
    id: UniqueId
    address: Annotated[int, Field(U8, "New address; 0 keeps the present one.", lo=16, hi=125, reserved=((0, "keep"),))]


@kind(0x75, "identify", priority=7, role="request", scope="node", reply="identity")
class Identify(NamedTuple):
    """Ask what the node is."""

    tag: Tag


@kind(0x76, "identity", priority=7, role="reply", sender="node", scope="node")
class Identity(NamedTuple):
    """What the node is; maker and model are texts."""

    tag: Tag
    axes: Annotated[int, Field(U8, "Number of axes.", lo=1, hi=8)]
    major: Annotated[int, Field(U8, "Major version of the protocol: another one is shown and not driven.")]
    minor: Annotated[int, Field(U8, "Minor version of the protocol.")]
    firmware: Annotated[int, Field(U16, "Version of the firmware, as its maker counts.")]
    hardware: Annotated[int, Field(U16, "Version of the hardware, as its maker counts.")]
