"""The bus that a `sim:` link asks for.

`sim:trio?bus=can&bitrate=500000&noise=1e-5`, `sim:pair?bus=serial&baud=115200`; noise and bursts are probabilities for
each bit, drop, duplicate, delay and swap for each message.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from ringlet.tools.errors import UsageProblem

if TYPE_CHECKING:
    from ringlet.hwsim.bus import Bus
    from ringlet.hwsim.noise import Mangler
    from ringlet.hwsim.rigfile import RigFile

BUS_OPTIONS: Final = ("bus", "bitrate", "baud", "noise", "bursts", "drop", "duplicate", "delay", "swap")


def bus_from(options: dict[str, str], seed: int, url: str) -> tuple[Bus | None, Mangler | None]:
    """The bus and what disturbs its messages; None, None for the ideal bus. Raises UsageProblem."""
    given = [key for key in BUS_OPTIONS if key in options]
    if not given:
        return None, None
    from ringlet.hwsim.can_bus import CanBus
    from ringlet.hwsim.noise import Mangler, Mischief, Noise
    from ringlet.hwsim.serial_line import SerialLine

    which = options.get("bus", "")
    if which and which not in ("can", "serial"):
        raise UsageProblem(f"the link {url!r} has bus={which}; a simulated bus is can or serial.")
    if not which:
        raise UsageProblem(f"the link {url!r} has {given[0]} and no bus; add bus=can or bus=serial.")
    speed, other = ("bitrate", "baud") if which == "can" else ("baud", "bitrate")
    if other in options:
        raise UsageProblem(f"the link {url!r} has {other}, and a bus={which} has a {speed}.")
    noise = Noise(bit_errors=_share(options, "noise", url), bursts=_share(options, "bursts", url))
    mischief = Mischief(
        drop=_share(options, "drop", url), duplicate=_share(options, "duplicate", url),
        delay=_share(options, "delay", url), swap=_share(options, "swap", url),
    )  # fmt: skip
    mangler = Mangler(mischief, seed) if mischief != Mischief() else None
    if which == "can":
        return CanBus(_speed(options, "bitrate", 500_000, url), noise, seed=seed), mangler
    return SerialLine(_speed(options, "baud", 115_200, url), noise, seed=seed), mangler


def with_shared_line(rig: RigFile) -> RigFile:
    """The rig as it must be on a serial line: with several nodes none speaks unasked."""
    if len(rig.nodes) == 1:
        return rig
    return rig.model_copy(update={"nodes": [node.model_copy(update={"shared_line": True}) for node in rig.nodes]})


def _share(options: dict[str, str], key: str, url: str) -> float:
    try:
        value = float(options.get(key, 0.0))
    except ValueError:
        value = -1.0
    if not 0.0 <= value < 1.0:
        raise UsageProblem(f"the link {url!r} has {key}={options[key]}; give a probability, 0 or above and below 1.")
    return value


def _speed(options: dict[str, str], key: str, default: int, url: str) -> int:
    try:
        value = int(options.get(key, default))
    except ValueError:
        value = 0
    if not 1000 <= value <= 10_000_000:
        raise UsageProblem(f"the link {url!r} has {key}={options[key]}; give bits a second, 1000 to 10000000.")
    return value
