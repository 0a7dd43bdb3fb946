"""Whether what a command printed with --json keeps the schema that `ringlet schema --json-of` publishes."""

from __future__ import annotations

import json
from typing import Any

from jsonschema import Draft202012Validator
from jsonschema.exceptions import best_match

from ringlet.tools.answers import LINES, schema_of


def valid(command: str, text: str) -> Any:
    """What was printed, as JSON that keeps the command's schema and has no more than numbers that JSON knows."""
    schema = schema_of(command)
    pieces = text.splitlines() if command in LINES else [text]
    documents = [json.loads(piece, parse_constant=_refuse) for piece in pieces]
    for document in documents:
        wrong = best_match(Draft202012Validator(schema).iter_errors(document))
        where = "/".join(map(str, wrong.absolute_path)) if wrong else ""
        assert wrong is None, f"ringlet {command} --json, at {where or 'the top'}: {wrong.message[:400]}"
    assert documents
    return documents[0]


def _refuse(word: str) -> None:
    raise AssertionError(f"{word} is no JSON")
