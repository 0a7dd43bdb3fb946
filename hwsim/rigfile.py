"""Rig files: which nodes are on the bus, with which motors on which lenses. TOML, checked by pydantic."""

from __future__ import annotations

import tomllib
from importlib import resources
from pathlib import Path
from typing import Annotated

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, ValidationError, model_validator

from ringlet.hwsim.axis import limits_fit
from ringlet.hwsim.cardfile import CardError, LensCard, MotorCard, load_lens, load_motor
from ringlet.hwsim.control import ControlEntry
from ringlet.hwsim.rangesource import RangeEntry
from ringlet.protocol.codes import VERSION_MAJOR
from ringlet.protocol.header import AXES_MAX, FRESH, NODE_FIRST
from ringlet.protocol.items import text_parts
from ringlet.protocol.params import BY_NAME
from ringlet.protocol.physical import ValueProblem, read_parameter


class RigError(ValueError):
    """A rig file that cannot be used. The text names file, key and remedy in one sentence."""


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)


def _fits_text(text: str) -> str:
    text_parts(text)
    return text


WireText = Annotated[str, AfterValidator(_fits_text)]
"""A text that a node can send."""


class AxisEntry(_Table):
    """One axis: motor card, lens card, and parameters that differ from the factory's."""

    motor: str
    lens: str
    role: str = "free"
    ring_start_deg: Annotated[float, Field(allow_inf_nan=False)] | None = None
    parameters: dict[str, float | int | str] = Field(default_factory=dict)


class NodeEntry(_Table):
    """One board."""

    unique_id: Annotated[int, Field(ge=0, lt=1 << 48)]
    address: Annotated[int, Field(ge=NODE_FIRST, le=FRESH)] = FRESH
    maker: WireText = "Invented Works"
    model: WireText = "Bench node"
    protocol_major: Annotated[int, Field(ge=0, le=15)] = VERSION_MAJOR
    shared_line: bool = False
    axes: Annotated[list[AxisEntry], Field(min_length=1, max_length=AXES_MAX)]


class PairEntry(_Table):
    """Two axes that turn the same ring of two lenses, NODE.AXIS each."""

    left: str
    right: str


class RigFile(_Table):
    """A whole rig."""

    name: str
    about: str = ""
    supply_v: Annotated[float, Field(gt=5, le=60)] = 24.0
    supply_ohm: Annotated[float, Field(gt=0, le=10)] = 0.15
    ambient_c: Annotated[float, Field(ge=-40, le=70)] = 20.0
    nodes: Annotated[list[NodeEntry], Field(min_length=1)]
    controls: list[ControlEntry] = Field(default_factory=list)
    ranges: list[RangeEntry] = Field(default_factory=list)
    """range sensors that a simulated rig has on its bus"""
    pairs: list[PairEntry] = Field(default_factory=list)

    @model_validator(mode="after")
    def _unique(self) -> RigFile:
        ids = [node.unique_id for node in self.nodes]
        if len(set(ids)) != len(ids):
            raise ValueError("two nodes have one unique_id; give each its own")
        return self

    @model_validator(mode="after")
    def _refer(self) -> RigFile:
        roles = {f"{node.address}.{number}": axis.role for node in self.nodes for number, axis in enumerate(node.axes)}
        for control in self.controls:
            if f"{control.node}.{control.axis}" not in roles:
                raise ValueError(f"control {control.name!r} is for axis {control.node}.{control.axis}: not here")
        others: list[ControlEntry | RangeEntry] = [*self.controls, *self.ranges]
        if len({one.source for one in others}) != len(others):
            raise ValueError("two controls or range sensors have one source address; give each its own")
        if len({one.name for one in others}) != len(others):
            raise ValueError("two controls or range sensors have one name; give each its own")
        for pair in self.pairs:
            for place in (pair.left, pair.right):
                if place not in roles:
                    raise ValueError(f"a pair names axis {place}, which is not here")
            if pair.left == pair.right or roles[pair.left] != roles[pair.right]:
                raise ValueError(f"{pair.left} and {pair.right} are no pair; name two axes of one role")
        return self


def shipped_rigs() -> list[str]:
    """Names of the rigs that come with Ringlet."""
    folder = resources.files("ringlet.hwsim.rigs")
    return sorted(entry.name.removesuffix(".toml") for entry in folder.iterdir() if entry.name.endswith(".toml"))


def load_rig(name_or_path: str) -> RigFile:
    """A shipped rig by name, or a file. Raises RigError with one sentence."""
    if name_or_path in shipped_rigs():
        text, label = (resources.files("ringlet.hwsim.rigs") / f"{name_or_path}.toml").read_text("utf-8"), name_or_path
    else:
        path, label = Path(name_or_path), name_or_path
        if not path.is_file():
            raise RigError(f"there is no rig or file {name_or_path!r}; shipped rigs are: {', '.join(shipped_rigs())}")
        try:
            text = path.read_text("utf-8")
        except (OSError, UnicodeDecodeError) as error:
            raise RigError(f"{label}: cannot be read ({error}); choose a readable TOML file") from None
    try:
        rig = RigFile.model_validate(tomllib.loads(text))
    except tomllib.TOMLDecodeError as error:
        raise RigError(f"{label}: is not TOML ({error}); mend that line") from None
    except ValidationError as error:
        raise RigError(f"{label}: {_sentence(error)}") from None
    for number, node in enumerate(rig.nodes):
        for index, axis in enumerate(node.axes):
            try:
                _check_axis(axis)
            except (CardError, ValueProblem) as error:
                raise RigError(f"{label}: nodes.{number}.axes.{index}: {str(error).rstrip('.')}; mend it") from None
    return rig


def _sentence(error: ValidationError) -> str:
    """What is wrong with which key, and the remedy. A misspelt key is told before the one that is missing for it."""
    first = min(error.errors(), key=lambda one: one["type"] != "extra_forbidden")
    key = ".".join(str(part) for part in first["loc"])
    if first["type"] == "extra_forbidden":
        return f"the key {key} is not known; remove it or mend its spelling"
    if first["type"] == "missing":
        return f"the key {key} is missing; add it"
    what = first["msg"].removeprefix("Value error, ")
    return f"{key}: {what}; mend this value" if key else what


def _check_axis(axis: AxisEntry) -> None:
    """Raises CardError or ValueProblem when cards and parameters of this axis do not go together."""
    _, lens = axis_cards(axis)
    values = {row.name: row.default for row in BY_NAME.values()} | factory_values(axis)
    if not limits_fit(values):
        raise ValueProblem("parameters: with these limits braking or a jerk ramp lasts over 60 s; raise the lower ones")
    low = lens.travel_min_deg if lens.stop_min_deg is None else lens.stop_min_deg
    high = lens.travel_max_deg if lens.stop_max_deg is None else lens.stop_max_deg
    if axis.ring_start_deg is not None and not low <= axis.ring_start_deg <= high:
        raise ValueProblem(f"ring_start_deg is {axis.ring_start_deg}; on this lens it is {low} to {high}")


def axis_cards(axis: AxisEntry) -> tuple[MotorCard, LensCard]:
    """The cards that an axis names. Raises CardError."""
    return load_motor(axis.motor), load_lens(axis.lens)


def factory_values(axis: AxisEntry) -> dict[str, int]:
    """Factory parameters in counts: gear and encoder from the cards, the rest from the file. Raises ValueProblem."""
    motor, lens = axis_cards(axis)
    values = {
        "motor-teeth": motor.gear_teeth,
        "ring-teeth": lens.ring_teeth,
        "gear-module": round(1000 * lens.gear_module_mm),
        "encoder-counts": round(motor.encoder_counts_per_rotor_turn * motor.gearhead_ratio),
        "role": read_parameter(BY_NAME["role"], axis.role),
    }
    for name, value in axis.parameters.items():
        row = BY_NAME.get(name)
        if row is None or row.scope != "axis":
            raise ValueProblem(f"{name!r} is not a parameter of an axis")
        values[name] = read_parameter(row, value)
    return values
