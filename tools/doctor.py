"""What `ringlet doctor` looks at: what is installed, which ports and adapters are there, and whether something answers.

Each look gives `Finding`s: what was found, and the next step in words. Nothing here moves a motor; only a named link is
opened, and on it only questions are sent. CAN is never tried at a guessed bit rate: a sender at the wrong one disturbs
the bus for everybody (ISO 11898-1: error frames), so a guess is made by listening only. A serial line is listened to
first; questions at guessed rates are sent only where nothing at all is heard, and nobody can be disturbed.
"""

from __future__ import annotations

import json
import os
import platform
import re
import sys
from collections.abc import Callable, Iterable, Iterator
from contextlib import suppress
from importlib import metadata
from pathlib import Path
from shlex import quote
from typing import Final, NamedTuple

from ringlet.protocol.codes import VERSION_MAJOR
from ringlet.tools.errors import LinkProblem, RingletError
from ringlet.tools.extras import EXTRAS

GOOD: Final = "good"
NOTE: Final = "note"
BAD: Final = "bad"

BAUDS: Final = (115_200, 57_600, 38_400, 19_200, 9_600, 230_400, 460_800, 921_600, 1_000_000)
"""Tried in this order on a serial line where nothing answers (usual rates: common practice, no source)."""
BITRATES: Final = (500_000, 250_000, 125_000, 1_000_000, 800_000, 100_000, 50_000, 20_000, 10_000)
"""Listened at in this order on an adapter that can listen only (CiA 301 names most of them; from memory)."""
LISTEN_S: Final = 0.5
ARPHRD_CAN: Final = "280"
"""Type of a CAN interface in sysfs (linux/if_arp.h)."""


class Finding(NamedTuple):
    """One line of the answer. `next` is empty where nothing needs to be done."""

    topic: str
    state: str
    text: str
    next: str = ""


def installed() -> list[Finding]:
    """Interpreter, packages, extras."""
    python = f"Python {platform.python_version()} on {platform.system()} {platform.release()}"
    found = [Finding("python", GOOD, python)]
    try:
        needs = metadata.requires("ringlet") or []
        found.append(Finding("ringlet", GOOD, f"version {metadata.version('ringlet')}"))
    except metadata.PackageNotFoundError:
        return [*found, Finding("ringlet", BAD, "not installed as a package", "pip install . in its folder")]
    missing: dict[str, list[str]] = {"": []}
    for line in needs:
        match = re.search(r"extra\s*==\s*['\"]([\w-]+)['\"]", line)
        extra, name = match[1] if match else "", re.split(r"[\s\[<>=!~;(]", line, maxsplit=1)[0]
        missing.setdefault(extra, [])
        if not _there(name):
            missing[extra].append(name)
    if missing[""]:
        names = ", ".join(missing[""])
        found.append(Finding("packages", BAD, f"missing: {names}", f"pip install {' '.join(missing[''])}"))
    for extra, gone in missing.items():
        job = EXTRAS[extra].job if extra in EXTRAS else extra
        if extra and gone:
            text = f"{job}; missing: {', '.join(gone)}"
            found.append(Finding(f"extra {extra}", NOTE, text, f"pip install 'ringlet[{extra}]' if you want this"))
        elif extra:
            found.append(Finding(f"extra {extra}", GOOD, job))
    return found


def _there(package: str) -> bool:
    try:
        metadata.version(package)
    except metadata.PackageNotFoundError:
        return False
    return True


def serial_ports(listed: Iterable[tuple[str, str]] | None = None) -> list[Finding]:
    """Serial ports, and whether this user may open them. `listed` (device, description) is for tests."""
    if listed is None:
        from serial.tools.list_ports import comports

        listed = [(port.device, port.description) for port in comports()]
    found = []
    for device, description in sorted(listed):
        what = f"{device}" + (f" ({description})" if description not in ("", "n/a") else "")
        if os.name == "posix" and not os.access(device, os.R_OK | os.W_OK):
            found.append(Finding("serial", BAD, f"{what}: you may not open it", _permission(Path(device))))
        else:
            found.append(Finding("serial", GOOD, what, f"ringlet doctor --link serial:{device}"))
    if not found:
        found.append(Finding("serial", NOTE, "no serial port is there", "plug the adapter in; look at its driver"))
    return found


def _permission(device: Path) -> str:
    """How a user of this machine gets to the port."""
    with suppress(OSError, KeyError, ImportError):
        import grp

        group = grp.getgrgid(device.stat().st_gid).gr_name
        return f"sudo usermod -aG {group} $USER, then log in again"
    return "ask who runs the machine for access to it"


def _ip_says() -> str:
    """What the system knows about its CAN interfaces, as JSON; nothing where there is no `ip`."""
    import shutil
    import subprocess

    program = shutil.which("ip")
    if program is None:
        return ""
    words = [program, "-details", "-json", "link", "show", "type", "can"]
    with suppress(OSError, subprocess.TimeoutExpired):
        return subprocess.run(words, capture_output=True, text=True, timeout=5, check=False).stdout
    return ""


def can_details(said: str) -> dict[str, tuple[int, str]]:
    """(bit rate or 0, state of the controller) by interface, from `ip -details -json` (its keys: from memory)."""
    found = {}
    with suppress(ValueError, TypeError, AttributeError):
        for one in json.loads(said or "[]"):
            data = one.get("linkinfo", {}).get("info_data", {})
            rate = data.get("bittiming", {}).get("bitrate", 0)
            found[str(one.get("ifname"))] = (int(rate), str(data.get("state", "")).lower())
    return found


def _can_up(name: str, details: dict[str, tuple[int, str]]) -> Finding:
    rate, state = details.get(name, (0, ""))
    text = f"{name} is up" + (f", {rate} bit/s" if rate else "") + (f", {state}" if state else "")
    if state in ("error-passive", "bus-off"):
        step = "many errors: another bit rate than the bus has, no termination, or nobody else is there"
        return Finding("can", BAD, text, step)
    return Finding("can", GOOD, text, f"ringlet doctor --link can:socketcan:{name}")


def can_interfaces(net: Path = Path("/sys/class/net"), ip_says: Callable[[], str] = _ip_says) -> list[Finding]:
    """SocketCAN interfaces of Linux. `net` and `ip_says` are others in tests."""
    if not net.is_dir():
        step = "use an adapter: can:slcan:PORT, or a python-can driver"
        return [Finding("can", NOTE, "no SocketCAN on this system", step)]
    found = []
    folders = [folder for folder in sorted(net.iterdir()) if _read(folder / "type") == ARPHRD_CAN]
    details = can_details(ip_says()) if folders else {}
    for folder in folders:
        name = folder.name
        if _read(folder / "operstate") == "down":
            step = f"sudo ip link set {name} up type can bitrate 500000 (the bit rate of your bus)"
            found.append(Finding("can", BAD, f"{name} is there and down", step))
        else:
            found.append(_can_up(name, details))
    return found or [Finding("can", NOTE, "no CAN interface is there", "plug the adapter in; look at its driver")]


def _read(path: Path) -> str:
    with suppress(OSError):
        return path.read_text(encoding="ascii").strip()
    return ""


def answers(url: str) -> list[Finding]:
    """Open a link and ask who is there; where nobody is, look for the reason. Nothing moves."""
    from ringlet.tools.link import Link

    try:
        with Link.open(url) as link:
            nodes = link.discover()
            heard, clashes = link.transport.heard, set(link.clashes)
    except LinkProblem as error:
        return [Finding("link", BAD, str(error).rstrip("."), _way_in(url))]
    if not nodes:
        return [Finding("link", BAD, f"{url} opens, and no node answers", _silent(heard)), *_guess(url)]
    found = [Finding("link", GOOD, f"{url}: {len(nodes)} node{'s' if len(nodes) > 1 else ''} found")]
    there = quote(url)
    for node in nodes:
        text = f"{node.address} ({node.id:012X}), protocol {node.major}.{node.minor}"
        if node.fresh:
            step = f"ringlet discover --assign --link {there}"
            found.append(Finding("node", NOTE, f"{node.id:012X} has no address yet", step))
        elif node.address in clashes:
            found.append(Finding("node", BAD, f"{text}: another one answers at this address, so neither is driven",
                                 "switch one of them off, and give the other another address"))  # fmt: skip
        elif node.major != VERSION_MAJOR:
            found.append(Finding("node", NOTE, f"{text}, and this program speaks {VERSION_MAJOR}: shown, not driven",
                                 "use a program of its version, or change its firmware"))  # fmt: skip
        else:
            found.append(Finding("node", GOOD, text))
    if all(one.state == GOOD for one in found):
        found.append(Finding("next", GOOD, "the bus works", f"ringlet status --link {there}"))
    return found


def _silent(heard: int) -> str:
    if heard:
        return "something speaks, but not this protocol at this rate: check bit rate, and what else is on the line"
    return "check power, ground, that the two wires are not swapped, termination (CAN: 120 ohm at both ends), bit rate"


def _way_in(url: str) -> str:
    """What to do about a port that is there and may not be opened; nothing for other links."""
    device = Path(url.partition("?")[0].rpartition(":")[2])
    there = os.name == "posix" and device.is_char_device()
    return _permission(device) if there and not os.access(device, os.R_OK | os.W_OK) else ""


def _guess(url: str) -> Iterator[Finding]:
    """Look for the rate at which the bus would answer."""
    if url.startswith("serial:") and "://" not in url:
        yield guess_serial(url)
    elif url.startswith("can:slcan:"):
        yield guess_can(url)
    elif url.startswith("can:socketcan:"):
        step = "compare the rate with that of your nodes; `ip -details -statistics link show` counts errors"
        yield Finding("guess", NOTE, "the interface's bit rate was set with it, and is not tried at others", step)


def with_option(url: str, key: str, value: object) -> str:
    """The link with one option set to another value."""
    target, _, query = url.partition("?")
    others = [part for part in query.split("&") if part and part.split("=")[0] != key]
    return f"{target}?{'&'.join([*others, f'{key}={value}'])}"


def _asks(url: str) -> bool:
    """Whether a node answers here."""
    from ringlet.tools.link import Link

    with Link.open(url) as link:
        return bool(link.discover())


class Heard(NamedTuple):
    """What came in while nothing was sent."""

    frames: int
    """of this protocol on a serial line, any on CAN"""
    all: int
    """bytes or frames, whatever they are"""


def _listens(url: str, seconds: float = LISTEN_S) -> Heard:
    """Listen for a while; a CAN adapter does not acknowledge either."""
    import time

    from ringlet.tools.transports import open_transport

    transport = open_transport(with_option(url, "listen_only", True) if url.startswith("can:") else url)
    try:
        frames = 0
        end = time.monotonic() + seconds
        while (left := end - time.monotonic()) > 0:
            frames += len(transport.receive(left))
        return Heard(transport.heard if transport.is_can else frames, transport.heard)
    finally:
        transport.close()


def guess_serial(
    url: str, listens: Callable[[str], Heard] = _listens, asks: Callable[[str], bool] = _asks
) -> Finding:
    """Listen at each usual baud rate as long as something speaks; where nothing does, ask at each."""

    def found(tried: str, how: str) -> Finding:
        return Finding("guess", GOOD, f"{how} at {tried.rpartition('=')[2]} baud", f"ringlet status --link '{tried}'")

    tries = [with_option(url, "baud", baud) for baud in BAUDS]
    speaks = False
    for tried in tries:
        with suppress(RingletError):
            heard = listens(tried)
            if heard.frames:
                return found(tried, "frames are heard")
            if not heard.all:
                break
            speaks = True
    if speaks:
        return Finding(
            "guess", NOTE, "something speaks, and at no usual baud rate is it this protocol; it was only listened to",
            "switch off what else is on the line, then try again",
        )  # fmt: skip
    for tried in tries:
        with suppress(RingletError):
            if asks(tried):
                return found(tried, "something answers")
    return Finding("guess", NOTE, "nothing answers at any usual baud rate", "check wiring and power first")


def guess_can(url: str, listens: Callable[[str], Heard] = _listens) -> Finding:
    """Listen at each usual bit rate; something must be speaking on the bus."""
    for bitrate in BITRATES:
        tried = with_option(url, "bitrate", bitrate)
        with suppress(RingletError):
            if listens(tried).frames:
                text = f"frames are heard at {bitrate} bit/s"
                return Finding("guess", GOOD, text, f"ringlet status --link '{tried}'")
    return Finding(
        "guess", NOTE, "no frame was heard at any usual bit rate",
        "switch a node on while this runs (it announces itself), and check termination",
    )  # fmt: skip


def looks(url: str | None) -> list[Finding]:
    """Everything, in the order in which a newcomer needs it."""
    found = [*installed(), *serial_ports(), *can_interfaces()]
    if url:
        return [*found, *answers(url)]
    step = "ringlet doctor --link serial:PORT, or without hardware: ringlet demo"
    return [*found, Finding("next", NOTE, "no link was named, so nothing was asked", step)]


def platform_note() -> str:
    """What was not tried on this system, for honesty."""
    if sys.platform.startswith("linux"):
        return ""
    return "Ringlet is tested on Linux; serial ports, plain CAN adapters and simulation should work here, untried."
