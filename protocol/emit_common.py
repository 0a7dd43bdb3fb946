"""What several emitters read off the schema in the same way: names that are identifiers, and the names of counts."""

from __future__ import annotations

from typing import Any, Final, get_args

import ringlet.protocol.states  # noqa: F401  (fills the enumeration `state`)
from ringlet.protocol import messages
from ringlet.protocol.codes import ENUMS
from ringlet.protocol.params import PARAMETERS
from ringlet.protocol.wire import Field, Kind, Registry, Spec


def _field(hint: Any) -> Field:
    return next(item for item in get_args(hint) if isinstance(item, Field))


KIND_FIELD: Final = _field(messages.KindCode)
PARAMETER_FIELD: Final = _field(messages.ParameterId)
VALUE_FIELD: Final = _field(messages.Value)
"""A field whose unit and scale are those of the parameter that stands before it."""


def identifier(name: str) -> str:
    """A name that C, DBC and Lua take as an identifier."""
    return name.replace("-", "_").replace(".", "_")


def one_line(text: str) -> str:
    """A docstring without its line breaks."""
    return " ".join(text.split())


def count_names(spec: Spec, registry: Registry) -> list[tuple[int, str]]:
    """(count, name) for every count of a field that has a name: reserved ones, enumerations, kinds, parameters."""
    found = [(count, name) for count, name in spec.field.reserved]
    if spec.field is KIND_FIELD:
        found += [(row.code, row.name) for row in registry]
    elif spec.field is PARAMETER_FIELD:
        found += [(row.id, row.name) for row in PARAMETERS]
    elif spec.field.values:
        found += [(count, name) for count, name, _ in ENUMS[spec.field.values]]
    return sorted(found)


def carries_parameter(row: Kind) -> bool:
    """Whether a kind has a parameter's number and, in that parameter's unit and scale, its value."""
    found = [spec.field for spec in row.fields]
    return any(field is PARAMETER_FIELD for field in found) and any(field is VALUE_FIELD for field in found)
