"""What each command answers with `--json`, as JSON Schema 2020-12.

`answers_*.py` write the answers down as types; records that the commands print as they are (named tuples, tables of
pydantic) stand there by themselves, so that nothing is written twice. A number's unit is the ending of its name, as in
`position_deg`; the schema says it in words. `ringlet schema --json-of` prints the schemas.
"""

from __future__ import annotations

import ast
import inspect
import re
from importlib import import_module
from itertools import pairwise
from textwrap import dedent
from typing import Any, Final, Literal, get_type_hints

from pydantic import BaseModel, ConfigDict, Field, TypeAdapter, create_model

DIALECT: Final = "https://json-schema.org/draft/2020-12/schema"
"""JSON Schema: A Media Type for Describing JSON Documents, draft 2020-12."""

Infinite = float | Literal["inf"]
"""JSON has no infinity: it is the text `inf`."""
Place = str
"""An axis as NODE.AXIS."""


class Answer(BaseModel):
    """One object of an answer: these keys and no others."""

    model_config = ConfigDict(extra="forbid", title="")


_SOMETIMES: Final = "x-sometimes"


def says(text: str) -> Any:
    """A key with a sentence of documentation."""
    return Field(description=text)


def sometimes(text: str = "") -> Any:
    """A key that is not in every answer."""
    return Field(default_factory=dict, description=text or None, json_schema_extra={_SOMETIMES: True})


class Also:
    """In Annotated[RECORD, Also(...)]: an object of the record's fields, less `without` and with those of `more`.

    A record is a named tuple, a dataclass or a table of pydantic.
    """

    def __init__(self, *, without: tuple[str, ...] = (), **more: Any) -> None:
        self.without, self.more = without, more

    def __get_pydantic_core_schema__(self, source: Any, handler: Any) -> Any:
        if issubclass(source, BaseModel):
            kept: dict[str, Any] = {name: (one.annotation, one) for name, one in source.model_fields.items()}
        else:
            docs, hints = _docs(source), get_type_hints(source, include_extras=True)
            kept = {name: _field(one, docs.get(name)) for name, one in hints.items()}
        keys = {name: one for name, one in kept.items() if name not in self.without}
        keys |= {name: (one, ...) for name, one in self.more.items()}
        return handler.generate_schema(create_model(source.__name__, __base__=Answer, __doc__=source.__doc__, **keys))


def _field(hint: Any, text: str | None) -> tuple[Any, Any]:
    """A field as pydantic wants it, with its sentence; fields of the protocol's messages bring theirs with them."""
    docs = [one.doc for one in getattr(hint, "__metadata__", ()) if hasattr(one, "doc")]
    if docs:
        return hint.__origin__, Field(description=docs[0])
    return hint, Field(description=text) if text else ...


def _docs(record: type) -> dict[str, str]:
    """The strings under the fields of a record, which say what they are."""
    (made,) = ast.parse(dedent(inspect.getsource(record))).body
    assert isinstance(made, ast.ClassDef)
    found = {}
    for one, after in pairwise(made.body):
        if isinstance(one, ast.AnnAssign) and isinstance(after, ast.Expr) and isinstance(after.value, ast.Constant):
            text = " ".join(str(after.value.value).replace("None", "null").split())
            found[ast.unparse(one.target)] = text[:1].upper() + text[1:]
    return found


UNITS: Final = {
    "_deg_s2": "deg/s2", "_deg_s3": "deg/s3", "_deg_s": "deg/s", "_deg": "deg", "_hz": "Hz", "_ms": "ms", "_s": "s",
    "_mnm": "mNm", "_nm": "N.m", "_mm": "mm", "_m": "m", "_a": "A", "_v": "V", "_c": "degC", "_ohm": "ohm",
    "_nm_per_rad": "N.m/rad", "_mnm_s_per_rad": "mNm.s/rad", "_mnm_per_krpm": "mNm at 1000 turns/min",
    "_gcm2": "g.cm2", "_mh": "mH", "_j_per_k": "J/K", "_k_per_w": "K/W", "_per_s": "1/s", "_per_m": "1/m",
    "_ratio": "turns in for one out", "_efficiency": "share, 0 to 1", "_restitution": "share, 0 to 1",
    "_percent": "%", "_bytes": "bytes", "_circles": "circles of confusion", "_counts": "counts",
}  # fmt: skip
"""Endings of names, and the units that they stand for; the longest that fits holds."""
PLAIN: Final = {
    "seconds": "s", "circles": "circles of confusion", "circles_far": "circles of confusion", "velocity": "deg/s",
    "in_c": "",
}  # fmt: skip
"""Names that have a unit without an ending, or an ending that is none."""


MEANINGS: Final = {
    "node": "Address of the board.", "axis": "Number of the axis on its board.",
    "travel": "Share of the calibrated travel, 0 to 1; null before calibration.",
    "owner": "Address of the control that owns the axis; 0 is nobody.",
    "plot": "The picture that was written; null when none was asked for.",
    "kind": "distance, stop or focal.",
    "check": "Check value of the table, as the protocol counts it.",
    "load_percent": "Torque, as a share of its limit.",
    "uncertainty": "Expanded, coverage factor 2, in the unit; null is not known.",
    "load": "Share of the time that the busiest wire is in use; 1 is all of it.",
}  # fmt: skip
"""What names mean that are the same in many answers; said where nothing else is."""


def unit_of(name: str) -> str:
    """Unit that a name stands for; empty when it has none."""
    if name in PLAIN:
        return PLAIN[name]
    ending = max((one for one in UNITS if name.endswith(one)), key=len, default="")
    return UNITS.get(ending, "")


def _tidy(schema: Any, name: str = "") -> Any:
    """Units said, and titles and defaults left out, which only repeat names."""
    if isinstance(schema, list):
        return [_tidy(one) for one in schema]
    if not isinstance(schema, dict):
        return schema
    made: dict[str, Any] = {}
    for key, value in schema.items():
        if key in ("properties", "$defs"):
            made[key] = {one: _tidy(sub, one if key == "properties" else "") for one, sub in value.items()}
        elif not (key in ("title", "default") and not isinstance(value, dict)):
            made[key] = _tidy(value)
    rare = {one for one, sub in made.get("properties", {}).items() if sub.pop(_SOMETIMES, False)}
    if "required" in made:
        made["required"] = [one for one in made["required"] if one not in rare]
    kinds = [one.get("type") for one in made.get("anyOf", ()) if set(one) == {"type"}]
    if kinds and len(kinds) == len(made["anyOf"]):
        del made["anyOf"]
        made["type"] = kinds
    if name in MEANINGS and "$ref" not in made:
        made.setdefault("description", MEANINGS[name])
    unit = unit_of(name)
    if not unit and (made.get("minimum"), made.get("maximum")) == (0, 1) and made.get("type") == "number":
        unit = "share, 0 to 1"
    if unit and _is_number(made):
        text = made.get("description", "In").rstrip(".")
        if not re.search(rf"[ ,]{re.escape(unit)}$", text):
            text += f" {unit}" if text == "In" else f"; {unit}"
        made["description"] = f"{text}."
    return made


def _is_number(schema: dict[str, Any]) -> bool:
    kinds = schema.get("type")
    if {"number", "integer"} & set(kinds if isinstance(kinds, list) else [kinds]):
        return True
    if kinds in ("array", "object"):
        inner = [schema.get("items"), schema.get("additionalProperties"), *schema.get("prefixItems", ())]
        return any(isinstance(one, dict) and _is_number(one) for one in inner)
    return any(_is_number(one) for one in schema.get("anyOf", ()))


_HERE: Final = "ringlet.tools.answers_"
_BENCH: Final = ("ramp", "limit", "step", "repeat", "friction", "stops", "latency", "together", "soak", "all")
ANSWERS: Final[dict[str, str]] = {
    "stop": "bus:Stop",
    "discover": "bus:Discover",
    "identify": "bus:Identify",
    "status": "bus:Status",
    "watch": "bus:Watch",
    "page": "bus:Page",
    "doctor": "bus:Doctor",
    "move": "bus:Axis",
    "jog": "bus:Axis",
    "hold": "bus:Axis",
    "release": "bus:Axis",
    "find-stops": "bus:Axis",
    "set-travel": "bus:Axis",
    "get": "bus:Parameters",
    "set": "bus:Parameters",
    "save": "bus:Saved",
    "restore": "bus:Restored",
    "own": "bus:Owned",
    "clear-fault": "bus:Cleared",
    "bus": "bus:Bus",
    "rig check": "rig:RigCheck",
    "rig apply": "rig:RigApply",
    "setup save": "rig:SetupSave",
    "setup list": "rig:SetupList",
    "setup show": "rig:SetupShow",
    "setup apply": "rig:SetupApply",
    "ramp": "bench:Ramp",
    "limits": "bench:Limits",
    **{f"bench {name}": "bench:Bench" for name in _BENCH},
    "report compare": "bench:Compare",
    "report show": "bench:Show",
    "conform": "bench:Conform",
    "budget": "lens:Budget",
    "marks take": "lens:MarksTake",
    "marks show": "lens:MarksShow",
    "marks convert": "lens:MarksConvert",
    "marks upload": "lens:MarksUpload",
    "marks read": "lens:MarksRead",
    "marks check": "lens:MarksCheck",
    "pair curve": "lens:PairCurve",
    "pair upload": "lens:PairUpload",
    "pair move": "lens:PairMove",
    "pair skew": "lens:PairSkew",
    "pair geometry": "lens:PairGeometry",
    "pair converge": "lens:PairConverge",
    "pair limits": "lens:PairLimits",
    "drive": "rig:Drive",
    "record": "takes:Record",
    "replay": "takes:Replay",
    "take show": "takes:TakeShow",
    "take recover": "takes:TakeRecover",
    "take export": "takes:TakeExport",
    "demo": "sim:Demo",
    "sim": "sim:Sim",
    "rigs": "sim:Rigs",
    "cards": "sim:Cards",
    "plant": "sim:Plant",
    "sweep": "sim:Sweep",
    "schema": "wire:Schema",
    "encode": "wire:Messages",
    "decode": "wire:Messages",
    "emit": "wire:Emit",
}
"""The type of each command's answer, by the command's name: MODULE:TYPE behind `answers_`."""
LINES: Final = frozenset({"watch", "drive"})
"""Commands that answer with one document a line, each by the schema."""


def schema_of(command: str) -> dict[str, Any]:
    """JSON Schema of what a command answers with --json. Raises KeyError for a command that is not in the table."""
    module, _, name = ANSWERS[command].partition(":")
    found = getattr(import_module(_HERE + module), name)
    made = TypeAdapter(found).json_schema(mode="serialization")
    each = ", one document a line" if command in LINES else ""
    head = {"$schema": DIALECT, "title": f"ringlet {command} --json{each}"}
    tidy: dict[str, Any] = _tidy(made)
    return head | tidy
