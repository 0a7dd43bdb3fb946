"""The story of `ringlet demo`: a simulated three-axis rig over a serial port and over a CAN bus, in seconds.

Each act starts a simulated rig in a process of its own and talks to it as to a board on the bench: bytes on a
pseudo-terminal, then frames of a python-can bus. The rig's clock runs faster than the wall clock to keep it short.
"""

from __future__ import annotations

import base64
import json
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass, field
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING, Final, NamedTuple

from ringlet.protocol import messages as m
from ringlet.protocol.codes import VERSION_MAJOR, Flag, Refusal
from ringlet.protocol.items import text_of
from ringlet.tools import cli_common as common
from ringlet.tools.axis_handle import MDEG, AxisHandle
from ringlet.tools.cli_ramp import limits_of, record_move, write_ramp
from ringlet.tools.errors import CheckFailed, DeviceRefused, RingletError
from ringlet.tools.extras import missing
from ringlet.tools.link import Link
from ringlet.tools.serve import has_terminals

if TYPE_CHECKING:
    from ringlet.tools.plots import Limits, Profile

RIG: Final = "trio"
SPEED: Final = 6
"""How many times as fast as the wall clock the rig's clock runs."""
OWNER_TIMEOUT_S: Final = 60.0
"""In the rig's time; longer than usual, so that a busy machine does not lose the axes."""
TARGETS: Final = (60.0, 30.0, 90.0)
RAMP_TO: Final = 250.0
STOP_AT: Final = 120.0


@dataclass(frozen=True, slots=True)
class Step:
    """One thing that was tried, whether it went as it should, and what was seen."""

    what: str
    ok: bool
    told: str


@dataclass(slots=True)
class Act:
    """The story over one transport."""

    way: str
    url: str
    speed: int = SPEED
    steps: list[Step] = field(default_factory=list)


class Ramp(NamedTuple):
    """A recorded move with the limits in force."""

    data: Profile
    limits: Limits


WAYS: Final = (
    (("over a serial port", "--serial"), ("over a python-can bus", "--can")) if has_terminals()
    else (("over serial frames on TCP", "--tcp"),)
)  # fmt: skip


def run_demo(out: Path, as_json: bool = False) -> None:
    """Run both acts and write ramp.png, ramp.csv, demo.json and demo.html to `out`; without scipy no ramp.

    Raises CheckFailed when a step went wrong, LinkProblem when the rig cannot be served.
    """
    out.mkdir(parents=True, exist_ok=True)
    say = common.note
    if not as_json:
        say(common.CAUTION)
        say(f"The rig is simulated and invented. Its clock runs {SPEED} times as fast as the wall clock.")
    drawn = not missing("bench")
    if drawn:
        import scipy.signal  # noqa: F401  (slow to load: not while a motor waits for its owner)
    elif not as_json:
        say("The picture of the ramp is left out: it comes with the extra `bench` (pip install 'ringlet[bench]').")

    acts: list[Act] = []
    ramps: list[Ramp] = []
    for number, (way, flag) in enumerate(WAYS, 1):
        with _served(flag) as url, Link.open(url) as link:
            act = Act(way, url)
            link.pace = SPEED
            acts.append(act)
            if not as_json:
                say(f"\nAct {number}, {way}: --link {url}")
            _play(link, act, ramps if number == 1 and drawn else None, None if as_json else say)
    for ramp in ramps:
        title = f"Focus ring of the simulated rig, move to {RAMP_TO:g} deg"
        write_ramp(ramp.data, ramp.limits, {"goal_deg": RAMP_TO}, out, title)
    steps = [step for act in acts for step in act.steps]
    good = sum(step.ok for step in steps)
    result = {"rig": RIG, "passed": good, "total": len(steps), "acts": [asdict(act) for act in acts]}
    (out / "demo.json").write_text(json.dumps(result, indent=1), encoding="utf-8")
    _page(out, acts, good, len(steps), out / "ramp.png" if ramps else None)
    if as_json:
        common.emit(result)
    else:
        files = f"{out / 'demo.html'}" + (f" and {out / 'ramp.png'}" if ramps else "")
        say(f"\n{good} of {len(steps)} steps went as they should. Look at {files}.")
    if good < len(steps):
        raise CheckFailed("A step of the demo did not go as it should; see the list above.")


@contextmanager
def _served(flag: str) -> Iterator[str]:
    """A simulated rig in a process of its own; gives the link that reaches it, and ends the process."""
    command = [sys.executable, "-m", "ringlet.tools.cli", "sim", RIG, flag, "--speed", str(SPEED)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True) as process:
        try:
            assert process.stdout is not None
            first = process.stdout.readline().strip()
            if not first:
                raise CheckFailed("The simulated rig could not be served; try `ringlet sim trio` to see why.")
            yield first
        finally:
            process.terminate()
            try:
                process.wait(timeout=5)
            except subprocess.TimeoutExpired:
                process.kill()


def _play(link: Link, act: Act, ramps: list[Ramp] | None, say: Callable[[str], None] | None) -> None:
    axes: list[AxisHandle] = []

    def step(what: str, job: Callable[[], tuple[bool, str]]) -> bool:
        try:
            ok, told = job()
        except RingletError as error:
            ok, told = False, str(error)
        act.steps.append(Step(what, ok, told))
        if say is not None:
            say(f"  {'ok ' if ok else 'NOT'} {what}: {told}")
        return ok

    if not step("found", lambda: _find(link, axes)):
        return
    step("calibrated", lambda: _calibrate(link, axes))
    step("moved", lambda: _move(link, axes))
    if ramps is not None:
        step("recorded", lambda: _record(link, axes[0], ramps))
    step("refused past the travel", lambda: _refused(axes[0]))
    step("stream cut at the limit", lambda: _stream(link, axes[0]))
    step("run ended at the limit", lambda: _limited(axes[0]))
    step("stopped", lambda: _stop(link, axes[0]))


def _find(link: Link, axes: list[AxisHandle]) -> tuple[bool, str]:
    found = link.discover()
    if len(found) != 1:
        return False, f"{len(found)} nodes answered"
    node = found[0]
    identity: m.Identity = link.request(m.Identify(0), node=node.address)
    parts: list[bytes] = []
    while not parts or b"\0" not in parts[-1]:
        parts.append(link.request(m.GetText(0, 1 << 4 | len(parts)), node=node.address).text)
    axes += [link.axis(node.address, number) for number in range(identity.axes)]
    roles = ", ".join(str(axis.get("role")) for axis in axes)
    told = f"node {node.address}, id {node.id:012x}, {text_of(parts)}: {roles}; protocol {node.major}.{node.minor}"
    return node.major == VERSION_MAJOR and len(axes) == 3, told


def _calibrate(link: Link, axes: list[AxisHandle]) -> tuple[bool, str]:
    for axis in axes:
        axis.set("owner-timeout", OWNER_TIMEOUT_S)
        axis.take()
    for axis in axes:
        axis.find_stops(wait=False)
    known = [bool(axis.rest().flags >> Flag.CALIBRATED & 1) for axis in axes]
    told = "; ".join(f"{axis.get('role')} {float(axis.get('travel-max')):.2f} deg" for axis in axes)
    return all(known), f"travel inside the end stops: {told}"


def _move(link: Link, axes: list[AxisHandle]) -> tuple[bool, str]:
    """All three start on one `sync`."""
    for axis, target in zip(axes, TARGETS, strict=True):
        link.request(m.Stage(0, round(target * MDEG), 0), node=axis.node, axis=axis.axis)
    link.send(m.Sync(0))
    link.wait(0.02)
    for axis in axes:
        axis.rest()
    off = [axis.position() - target for axis, target in zip(axes, TARGETS, strict=True)]
    told = ", ".join(f"{target:g} deg" for target in TARGETS)
    return all(abs(one) < 0.2 for one in off), f"all on one sync to {told}; farthest off {max(map(abs, off)):.3f} deg"


def _record(link: Link, axis: AxisHandle, ramps: list[Ramp]) -> tuple[bool, str]:
    limits = limits_of(axis)
    data = record_move(link, axis, 250.0, lambda: axis.move(RAMP_TO, wait=False))
    ramps.append(Ramp(data, limits))  # drawn later: a control that is busy drawing would lose the axes
    speed = max(abs(data.velocity_deg_s))
    told = f"ramp of {data.time_s[-1]:.2f} s, measured speed up to {speed:.1f} of {limits.velocity_deg_s:g} deg/s"
    return bool(max(abs(data.setpoint_velocity_deg_s)) <= 1.01 * limits.velocity_deg_s), told


def _refused(axis: AxisHandle) -> tuple[bool, str]:
    most = float(axis.get("travel-max"))
    before = axis.position()
    try:
        axis.move(most + 1.0)
    except DeviceRefused as refused:
        still = abs(axis.position() - before) < 0.1
        return refused.code == Refusal.PAST_TRAVEL and still, f"a move to {most + 1:.2f} deg; nothing moved"
    return False, f"a move to {most + 1:.2f} deg was taken"


def _stream(link: Link, axis: AxisHandle) -> tuple[bool, str]:
    least = float(axis.get("travel-min"))
    link.send(m.StreamRing(0, round((least - 5.0) * MDEG)), node=axis.node, axis=axis.axis)
    link.wait_until(lambda: axis.setpoint() <= least, 10.0)
    link.wait(0.2)
    at, flags = axis.setpoint(), axis.status().flags
    axis.hold()
    axis.rest()
    told = f"asked for 5 deg past, stands at {at:.3f} deg, flagged"
    return at == least and bool(flags >> Flag.CLAMPED & 1), told


def _limited(axis: AxisHandle) -> tuple[bool, str]:
    most = float(axis.get("travel-max"))
    axis.run(150.0)
    axis.rest()
    at = axis.setpoint()
    return at == most, f"150 deg/s towards the upper limit, ended at {at:.3f} of {most:.3f} deg"


def _stop(link: Link, axis: AxisHandle) -> tuple[bool, str]:
    axis.run(-100.0)
    link.wait_until(lambda: axis.position() < STOP_AT + 60.0, 10.0)
    link.stop()
    begun = axis.position()
    axis.rest()
    ended = axis.position()
    link.wait(0.1)
    still = abs(axis.position() - ended) < 0.1
    low = float(axis.get("travel-min"))
    return still and ended > low, f"a stop to everyone at {begun:.1f} deg: ramped down, at rest at {ended:.1f} deg"


def _page(out: Path, acts: list[Act], passed: int, total: int, picture: Path | None) -> None:
    from jinja2 import Environment

    from ringlet.hwsim.rigfile import load_rig

    source = (resources.files("ringlet.tools") / "templates" / "demo.html").read_text(encoding="utf-8")
    page = Environment(autoescape=True).from_string(source).render(
        rig=RIG, about=load_rig(RIG).about, acts=acts, passed=passed, total=total, caution=common.CAUTION,
        ramp_target=f"{RAMP_TO:g} deg",
        picture=base64.b64encode(picture.read_bytes()).decode() if picture else "",
    )  # fmt: skip
    (out / "demo.html").write_text(page, encoding="utf-8")

