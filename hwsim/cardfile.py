"""Motor cards and lens cards: TOML files that describe one motor or one lens ring, with the unit in every key.

A motor card holds what a maker's data sheet states about motor, gearhead, gear and encoder. A lens card holds what a
bench would measure on the ring. The shipped cards are invented, with plausible values (common practice, no source).
"""

from __future__ import annotations

import math
import tomllib
from importlib import resources
from pathlib import Path
from typing import Annotated, Self, TypeVar

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_serializer, model_validator

Positive = Annotated[float, Field(gt=0)]
NotNegative = Annotated[float, Field(ge=0)]
Teeth = Annotated[int, Field(ge=8, le=1000)]


class CardError(ValueError):
    """A card that cannot be used. The message is one sentence: file, key, and what to do."""


class _Card(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False, strict=True)

    name: str = Field(min_length=1)
    note: str = ""


class MotorCard(_Card):
    """A DC motor with gearhead, output gear and encoder. Friction and inertia are at the rotor unless a key says so."""

    supply_nominal_v: float = Field(gt=0, le=100)
    resistance_ohm: float = Field(ge=0.05, le=500, description="winding at 20 degrees C")
    inductance_mh: float = Field(ge=0, le=100)
    torque_constant_mnm_per_a: float = Field(ge=0.5, le=500)
    rotor_inertia_gcm2: float = Field(ge=0.01, le=5000, description="rotor and gearhead, seen at the rotor")
    rotor_coulomb_mnm: float = Field(ge=0, le=200)
    rotor_breakaway_mnm: float = Field(ge=0, le=200)
    rotor_viscous_mnm_per_krpm: float = Field(ge=0, le=100)
    rotor_presliding_deg: float = Field(default=2.0, ge=0.01, le=90, description="bristle deflection at breakaway")
    gearhead_ratio: float = Field(ge=1, le=1000)
    gearhead_efficiency: float = Field(gt=0.2, le=1)
    gearhead_backlash_deg: float = Field(ge=0, le=10, description="at the output shaft")
    gear_teeth: Teeth
    gear_module_mm: float = Field(default=0.8, gt=0, le=5)
    encoder_counts_per_rotor_turn: int = Field(ge=4, le=1_000_000)
    peak_current_a: float = Field(gt=0, le=100)
    gearhead_max_torque_mnm: float = Field(gt=0, description="rating at the output shaft")
    winding_heat_capacity_j_per_k: Positive
    winding_to_case_k_per_w: Positive
    case_heat_capacity_j_per_k: Positive
    case_to_ambient_k_per_w: Positive
    derate_from_c: float = Field(gt=40, le=200, description="winding temperature at which the board lowers the current")
    winding_max_c: float = Field(gt=40, le=250)

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        if self.rotor_breakaway_mnm < self.rotor_coulomb_mnm:
            raise ValueError("rotor_breakaway_mnm must not be below rotor_coulomb_mnm")
        if self.winding_max_c <= self.derate_from_c:
            raise ValueError("winding_max_c must be above derate_from_c")
        return self


FOOT_M, INCH_M = 0.3048, 0.0254
"""International foot and inch in metres, exact (NIST SP 811, appendix B; from memory)."""

FULL_STOPS = (0.7, 1.0, 1.4, 2.0, 2.8, 4.0, 5.6, 8.0, 11.0, 16.0, 22.0, 32.0, 45.0, 64.0)
"""Full stops as they are engraved: powers of the square root of 2, rounded (ISO 517 for f-numbers; from memory)."""


def exact_stop(engraved: float) -> float:
    """The power of the square root of 2 for which an engraved full stop stands (5.6 is 5.657); others stay."""
    return float(2.0 ** (round(2.0 * math.log2(engraved)) / 2.0)) if engraved in FULL_STOPS else engraved


class LensMark(BaseModel):
    """One engraved mark: ring angle, and distance, T-stop or focal length. Infinity is `distance_m = inf`.

    A focus ring often turns a little past infinity; `past_infinity = true` says how far. Nothing in front of the lens
    is sharp there, so such a mark has no distance: its value is minus infinity.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    ring_deg: float = Field(allow_inf_nan=False)
    distance_m: float | None = Field(default=None, gt=0)
    distance_ft: float | None = Field(default=None, ge=0, description="whole feet, with distance_in for the inches")
    distance_in: float | None = Field(default=None, ge=0)
    t_stop: float | None = Field(default=None, gt=0, allow_inf_nan=False)
    focal_mm: float | None = Field(default=None, gt=0, allow_inf_nan=False)
    past_infinity: bool | None = Field(default=None, description="true: how far the ring turns past infinity")

    @model_validator(mode="after")
    def _one_value(self) -> Self:
        if len(self.written_in) != 1:
            raise ValueError("give one of distance_m, distance_ft (with distance_in), t_stop, focal_mm, past_infinity")
        if self.past_infinity is False:
            raise ValueError("past_infinity can only be true; leave it out, or give a distance")
        if not self.value > 0 and not self.past_infinity:
            raise ValueError("the value of a mark must be above 0")
        return self

    @property
    def written_in(self) -> tuple[str, ...]:
        """Units that are given: m, ft, T, mm, past (infinity); one of them on every valid mark."""
        given = {
            "m": self.distance_m, "ft": self.distance_in if self.distance_ft is None else self.distance_ft,
            "T": self.t_stop, "mm": self.focal_mm, "past": self.past_infinity,
        }  # fmt: skip
        return tuple(unit for unit, value in given.items() if value is not None)

    @property
    def kind(self) -> str:
        """Kind of the value, by the protocol's enumeration `unit-kind`."""
        return {"T": "stop", "mm": "focal"}.get(self.written_in[0], "distance")

    @property
    def value(self) -> float:
        """Distance in m, T-stop (exact: an engraved 5.6 is 5.657), or focal length in mm; -inf past infinity."""
        if self.past_infinity:
            return -math.inf
        stop = None if self.t_stop is None else exact_stop(self.t_stop)
        for value in (self.distance_m, stop, self.focal_mm):
            if value is not None:
                return value
        return (self.distance_ft or 0.0) * FOOT_M + (self.distance_in or 0.0) * INCH_M

    @model_serializer
    def _as_given(self) -> dict[str, float | str | bool]:
        """Only the keys that are given; infinity as text, because JSON has no number for it."""
        given = {key: getattr(self, key) for key in type(self).model_fields if getattr(self, key) is not None}
        return {key: "inf" if value == math.inf else value for key, value in given.items()}

    def __repr__(self) -> str:
        return f"{self.ring_deg:g} deg: {self.value:.4g} {self.kind}"


def _one_unit(marks: tuple[LensMark, ...]) -> None:
    """Refuse marks in several units. Infinity has none of its own: it may stand beside feet too."""
    units = sorted({mark.written_in[0] for mark in marks if math.isfinite(mark.value)})
    if len(units) > 1 or len({mark.kind for mark in marks}) > 1:
        raise ValueError(f"marks mix units ({', '.join(units)}); write all of them in one")


class MarksCard(_Card):
    """Marks alone, as a calibration session writes them, for a lens whose other values nobody has measured."""

    role: str = Field(default="", description="focus, iris, zoom, or free text")
    marks: tuple[LensMark, ...] = Field(min_length=1, strict=False)

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        _one_unit(self.marks)
        return self


class LensCard(_Card):
    """A lens ring with its gear, friction, stops and the gear mesh as mounted. Everything is seen at the ring."""

    role: str = Field(min_length=1, description="focus, iris, zoom, or free text")
    travel_min_deg: float = Field(description="start of the engraved scale")
    travel_max_deg: float = Field(description="end of the engraved scale")
    stop_min_deg: float | None = Field(default=None, description="hard stop; leave both out if the ring has none")
    stop_max_deg: float | None = None
    stop_stiffness_nm_per_rad: float = Field(default=800.0, gt=0, le=1e7)
    stop_restitution: float = Field(default=0.3, gt=0, le=1)
    ring_teeth: Teeth
    gear_module_mm: float = Field(default=0.8, gt=0, le=5)
    ring_inertia_gcm2: float = Field(ge=0, le=1e6)
    coulomb_mnm: float = Field(ge=0, le=5000)
    breakaway_mnm: float = Field(ge=0, le=10000)
    viscous_mnm_s_per_rad: float = Field(ge=0, le=5000)
    stribeck_deg_per_s: float = Field(default=10.0, gt=0, le=1000)
    presliding_deg: float = Field(default=0.1, ge=0.001, le=5, description="bristle deflection at breakaway")
    torque_over_travel: tuple[NotNegative, ...] = Field(
        strict=False,
        default=(1.0,), min_length=1, max_length=64, description="friction factor, equal steps over the engraved scale"
    )
    friction_factor_at_minus_20c: float = Field(
        default=1.0, ge=1, le=20, description="friction at -20 degrees C over friction at 20 degrees C"
    )
    grease_temperature_c: float | None = Field(
        default=None, ge=-60, le=80, description="temperature of the ring's grease; left out = ambient"
    )
    mesh_backlash_deg: float = Field(ge=0, le=10, description="gear play as mounted")
    mesh_stiffness_nm_per_rad: float = Field(default=200.0, gt=0, le=1e7)
    marks: tuple[LensMark, ...] = Field(default=(), strict=False, description="engraved marks, if they are known")

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        _one_unit(self.marks)
        if self.breakaway_mnm < self.coulomb_mnm:
            raise ValueError("breakaway_mnm must not be below coulomb_mnm")
        if self.travel_max_deg <= self.travel_min_deg:
            raise ValueError("travel_max_deg must be above travel_min_deg")
        if (self.stop_min_deg is None) != (self.stop_max_deg is None):
            raise ValueError("stop_min_deg and stop_max_deg must be given together or left out together")
        if self.stop_min_deg is not None and self.stop_max_deg is not None and not (
            self.stop_min_deg <= self.travel_min_deg and self.travel_max_deg <= self.stop_max_deg
        ):
            raise ValueError("stop_min_deg and stop_max_deg must enclose travel_min_deg to travel_max_deg")
        return self

    @property
    def travel_deg(self) -> float:
        """Length of the engraved scale in degrees of the ring."""
        return self.travel_max_deg - self.travel_min_deg


C = TypeVar("C", bound=_Card)


def load_motor(name_or_path: str) -> MotorCard:
    """A motor card by the name of a shipped card or by the path of a TOML file; raises CardError."""
    return _load(MotorCard, "motor", name_or_path)


def load_lens(name_or_path: str) -> LensCard:
    """A lens card by the name of a shipped card or by the path of a TOML file; raises CardError."""
    return _load(LensCard, "lens", name_or_path)


def load_marks(name_or_path: str) -> LensCard | MarksCard:
    """A lens card, or a TOML file that holds marks alone (it has no `ring_teeth`); raises CardError."""
    data = _read("lens", name_or_path)
    if "ring_teeth" in data:
        return _checked(LensCard, "lens", name_or_path, data)
    return _checked(MarksCard, "lens", name_or_path, data)


def shipped_motors() -> list[str]:
    """Names of the shipped motor cards."""
    return _shipped("motor")


def shipped_lenses() -> list[str]:
    """Names of the shipped lens cards."""
    return _shipped("lens")


def _shipped(kind: str) -> list[str]:
    names = [entry.name for entry in resources.files("ringlet.hwsim.cards").iterdir()]
    return sorted(n[len(kind) + 1 : -5] for n in names if n.startswith(f"{kind}-") and n.endswith(".toml"))


def _load(model: type[C], kind: str, name_or_path: str) -> C:
    return _checked(model, kind, name_or_path, _read(kind, name_or_path))


def _read(kind: str, name_or_path: str) -> dict[str, object]:
    looks_like_path = name_or_path.endswith(".toml") or "/" in name_or_path or "\\" in name_or_path
    try:
        if looks_like_path:
            text = Path(name_or_path).read_text(encoding="utf-8")
        elif name_or_path in _shipped(kind):
            text = resources.files("ringlet.hwsim.cards").joinpath(f"{kind}-{name_or_path}.toml").read_text("utf-8")
        else:
            known = ", ".join(_shipped(kind))
            raise CardError(
                f"No {kind} card is called '{name_or_path}'; use one of {known}, or the path of a .toml file."
            )
    except (OSError, UnicodeDecodeError) as error:
        reason = getattr(error, "strerror", None) or "it is not UTF-8 text"
        raise CardError(f"{name_or_path}: the {kind} card cannot be read ({reason}); check the path.") from None
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise CardError(f"{name_or_path}: this is not valid TOML ({error}); correct that line.") from None


def _checked(model: type[C], kind: str, where: str, data: dict[str, object]) -> C:
    try:
        return model.model_validate(data)
    except ValidationError as error:
        # A misspelt key makes two errors, one unknown and one missing; the unknown one says more.
        first = min(error.errors(), key=lambda one: one["type"] != "extra_forbidden")
        key = ".".join(str(part) for part in first["loc"])
        if first["type"] == "extra_forbidden":
            raise CardError(
                f"{where}: key '{key}' is not a {kind} card key; remove it or correct its spelling "
                f"(keys: {', '.join(model.model_fields)})."
            ) from None
        if first["type"] == "missing":
            raise CardError(f"{where}: key '{key}' is missing; add it to the {kind} card.") from None
        what = first["msg"].removeprefix("Value error, ")
        if not key:
            raise CardError(f"{where}: {what}; correct the {kind} card.") from None
        raise CardError(f"{where}: key '{key}' cannot be {first['input']!r}; {what}; correct the value.") from None


def vary(card: C, changes: dict[str, float]) -> C:
    """The same card with some values changed, checked again; raises CardError."""
    kind = "motor" if isinstance(card, MotorCard) else "lens"
    return _checked(type(card), kind, f"{kind} card {card.name}", card.model_dump() | dict(changes))
