"""Between counts and what people read: exact decimal values in the schema's units, names for enumerations."""

from __future__ import annotations

from decimal import Context, Decimal, DecimalException, Inexact, Overflow
from typing import Any

from ringlet.protocol.codes import ENUMS, names
from ringlet.protocol.params import Param
from ringlet.protocol.wire import KINDS, Kind, Registry, Spec

_EXACT = Context(traps=[Inexact, Overflow])
"""What a division cannot give exactly is refused, never rounded."""


class ValueProblem(ValueError):
    """A value that a person gave and that has no count. The text is one sentence."""


def to_counts(text: str | int | float | Decimal, scale: str, lo: int, hi: int, label: str, unit: str = "") -> int:
    """Exact count of a value in its unit. Raises ValueProblem for text, NaN, off-grid and off-range values."""
    try:
        value = Decimal(str(text).strip())
    except DecimalException:
        raise ValueProblem(f"{label} is {str(text)!r}, which is not a number") from None
    if not value.is_finite():
        raise ValueProblem(f"{label} is {text}, which is not a finite number")
    try:
        count = _EXACT.divide(value, Decimal(scale))
    except DecimalException:  # more digits, or a larger exponent, than any count has
        raise ValueProblem(f"{label} is {text}, which has no exact count; steps are {scale}{_u(unit)}") from None
    whole = count.to_integral_value()
    if count != whole:
        raise ValueProblem(f"{label} is {value}{_u(unit)}; steps are {scale}{_u(unit)}")
    if not lo <= whole <= hi:
        raise ValueProblem(
            f"{label} is {value}{_u(unit)}; it must be {from_counts(lo, scale)} to {from_counts(hi, scale)}{_u(unit)}"
        )
    return int(whole)


def _u(unit: str) -> str:
    return f" {unit}" if unit else ""


def from_counts(count: int, scale: str) -> Decimal:
    """The value of a count in its unit, exact and without trailing zeros beyond the scale's places."""
    return Decimal(count) * Decimal(scale)


def number(value: Decimal) -> int | float:
    """A JSON number for an exact value."""
    return int(value) if value == value.to_integral_value() else float(value)


def show_field(spec: Spec, value: Any) -> Any:
    """JSON value of one field: name of an enumeration, reserved name, dict of bits, text, or number in its unit."""
    field = spec.field
    if spec.codec.is_text:
        return bytes(value).hex()
    for count, name in field.reserved:
        if value == count:
            return name
    if field.values:
        return names(field.values).get(value, value)
    if field.parts:
        return {part.name: value >> part.shift & (1 << part.width) - 1 for part in field.parts} | _spare(spec, value)
    return number(from_counts(value, field.scale))


def _spare(spec: Spec, value: int) -> dict[str, int]:
    """Bits that no part names, kept so that decode and encode stay exact opposites."""
    known = sum(((1 << part.width) - 1) << part.shift for part in spec.field.parts)
    return {"reserved": value & ~known} if value & ~known else {}


def read_field(spec: Spec, given: Any) -> Any:
    """The count or bytes of a field from what `show_field` gives or a person types; 0x.. is a raw count.

    Raises ValueProblem.
    """
    field, label = spec.field, spec.name
    if spec.codec.is_text:
        try:
            data = bytes.fromhex(given)
        except (TypeError, ValueError):
            raise ValueProblem(f"{label} is {given!r}, which is not hex text") from None
        if len(data) > spec.codec.size:
            raise ValueProblem(f"{label} has {len(data)} bytes; it holds {spec.codec.size}")
        return data.ljust(spec.codec.size, b"\0")
    # Whatever fits the bytes can be written, so that every frame seen can be made again; nodes check the meaning.
    bits = 8 * spec.codec.size
    low, high = (-(1 << bits - 1), (1 << bits - 1) - 1) if spec.codec.signed else (0, (1 << bits) - 1)
    if isinstance(given, str):
        for count, name in field.reserved:
            if given == name:
                return count
        for count, name, _ in ENUMS[field.values] if field.values else ():
            if given == name:
                return count
        if given.lower().startswith("0x"):
            try:
                return to_counts(int(given, 16), "1", low, high, label)
            except ValueError:
                raise ValueProblem(f"{label} is {given!r}; a raw count has {spec.codec.size} bytes in hex") from None
        if field.values and not given.lstrip("-").isdigit():
            choices = ", ".join(name for _, name, _ in ENUMS[field.values])
            raise ValueProblem(f"{label} is {given!r}; choose one of: {choices}")
        if field.parts and "=" in given:
            given = dict(_pair(label, piece) for piece in given.split("+"))
    if isinstance(given, dict):
        given = _join(spec, given)
    return to_counts(given, field.scale, low, high, label, field.unit)


def _pair(label: str, piece: str) -> tuple[str, str]:
    name, equals, value = piece.partition("=")
    if not equals:
        raise ValueProblem(f"{label} has the piece {piece!r}; write name=value+name=value")
    return name, value


def _join(spec: Spec, given: dict[str, Any]) -> int:
    """The count of a field from its parts; a part that is left out is 0."""
    total, parts = 0, {part.name: part for part in spec.field.parts}
    for name, value in given.items():
        label = f"{spec.name}.{name}"
        if name in parts:
            total |= to_counts(value, "1", 0, (1 << parts[name].width) - 1, label) << parts[name].shift
        elif name == "reserved":
            spare = to_counts(value, "1", 0, (1 << 8 * spec.codec.size) - 1, label)
            if _spare(spec, spare).get("reserved", 0) != spare:
                raise ValueProblem(f"{label} is {spare}, which has bits that are named; give these by name")
            total |= spare
        else:
            raise ValueProblem(f"{spec.name} has no part {name!r}; it has: {', '.join(parts) or 'none'}")
    return total


def show_argument(spec: Spec, value: Any) -> str:
    """One field as a person types it: `read_field` gives the same count back."""
    field, shown = spec.field, show_field(spec, value)
    if isinstance(shown, str):
        return shown
    if field.values:  # a count without a name; in hex, because a name may itself look like a number
        return f"{value:#x}"
    if isinstance(shown, dict):
        return "+".join(f"{name}={part}" for name, part in shown.items() if part) or "0"
    return format(from_counts(value, field.scale), "f")


def show_body(body: Any, registry: Registry = KINDS) -> dict[str, Any]:
    """All fields of a body as JSON values in their units."""
    row = registry.by_class[type(body)]
    return {spec.name: show_field(spec, value) for spec, value in zip(row.fields, body, strict=True)}


def read_body(row: Kind, given: dict[str, Any]) -> Any:
    """A body from JSON values or typed text; a missing tag is 0. Raises ValueProblem naming what is wrong."""
    known = {spec.name: spec for spec in row.fields}
    for name in given:
        if name not in known:
            raise ValueProblem(f"{row.name} has no field {name!r}; its fields are: {', '.join(known)}")
    values = []
    for name, spec in known.items():
        if name in given:
            values.append(read_field(spec, given[name]))
        elif name == "tag":
            values.append(0)
        elif spec.field.absent is not None:
            values.append(spec.field.absent)
        else:
            raise ValueProblem(f"{row.name} needs the field {name!r}: {spec.field.doc}")
    return row.cls(*values)


def show_parameter(row: Param, count: int) -> Any:
    """JSON value of a parameter: name of an enumeration or number in its unit."""
    if row.values:
        return names(row.values).get(count, count)
    return number(from_counts(count, row.scale))


def read_parameter(row: Param, given: Any) -> int:
    """Count of a parameter from typed text or a JSON value. Raises ValueProblem."""
    if row.values and isinstance(given, str):
        for count, name, _ in ENUMS[row.values]:
            if given == name:
                return count
        if not given.lstrip("-").isdigit():
            choices = ", ".join(name for _, name, _ in ENUMS[row.values])
            raise ValueProblem(f"{row.name} is {given!r}; choose one of: {choices}")
    return to_counts(given, row.scale, row.lo, row.hi, row.name, row.unit)
