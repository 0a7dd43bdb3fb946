"""Answers of measurements and checks; see `answers`."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import RootModel

from ringlet.protocol.messages import Identity
from ringlet.tools.answers import Also, Answer, says
from ringlet.tools.bench.compare import Row, Setting, Turned
from ringlet.tools.bench.run_folder import Finished, QuantityData, VerdictData
from ringlet.tools.cli_ramp import Check


class Peak(Answer):
    """A highest value beside its limit."""

    setpoint: float
    measured: float
    doubt: float = says("How far the setpoint's figure can be off.")
    limit: float


class Ramp(Answer):
    """One move."""

    goal_deg: float
    duration_s: float
    samples: int
    rest_error_deg: float
    largest_following_error_deg: float
    peak_velocity_deg_s: Peak = says("In deg/s.")
    peak_acceleration_deg_s2: Peak = says("In deg/s2.")
    peak_current_a: float
    files: list[str]


class Limits(Answer):
    """Whether the travel limits hold."""

    node: int
    axis: int
    passed: bool
    checks: list[Annotated[Check, Also()]]


Bench = RootModel[
    dict[str, list[Annotated[
        Finished,
        Also(without=("plots", "records", "at", "quantities", "verdicts"), ok=bool,
             quantities=list[Annotated[QuantityData, Also()]], verdicts=list[Annotated[VerdictData, Also()]]),
    ]]]
]  # fmt: skip
"""Finished measurements of each axis, by NODE.AXIS."""


class Compare(Answer):
    """Two runs side by side, A and B."""

    rule: str
    rule_source: str
    pairing: str = says("How axes were paired, where that is not plain.")
    counts: dict[str, int] = says("How many quantities have each verdict.")
    settings: list[Annotated[Setting, Also()]]
    checks: list[Annotated[Turned, Also()]] = says("Those that came out otherwise.")
    quantities: list[Annotated[Row, Also()]] = says("Numbers are in `unit`; null is missing or not known.")


class Show(Answer):
    """A run whose page was written again."""

    page: str
    verdict: str
    failed: list[str]


class Frame(Answer):
    """What passed on the line."""

    time_s: float = says("From the beginning of the check.")
    way: Literal["sent", "heard"]
    header: str | None = says("Eight hex digits; null for a remark.")
    bytes: str = says("Hex.")
    shown: str


class Problem(Answer):
    """What was wrong, with its evidence."""

    text: str
    frames: list[Frame]


class ConformCheck(Answer):
    """One rule."""

    id: str
    rule: str
    place: str = says("Section of the reference.")
    severity: str
    moves: str
    needs: list[str]
    likely: str = says("The likely cause of a failure.")


class ConformResult(ConformCheck):
    """One rule, and what came out."""

    outcome: Literal["pass", "fail", "skip"]
    reason: str = says("Why it was skipped.")
    seconds: float
    problems: list[Problem]


class ConformRun(Answer):
    """A device against the rules."""

    link: str
    node: int
    axis: int
    identity: Annotated[Identity, Also()]
    passed: int
    failed: int
    skipped: int
    ok: bool
    left_different: list[str] = says("What is not as it was found.")
    repeats: int = says("Requests that had to be repeated.")
    results: list[ConformResult]


class Mutant(Answer):
    """A broken motor, and whether it was caught."""

    name: str
    mistake: str
    rule: str
    caught_by: list[str]
    caught: bool
    evidence: str


class Healthy(Answer):
    """A healthy device that failed a check."""

    seed: int
    rig: str
    node: int
    axis: int
    passed: int
    failed: list[str]
    left: list[str]


class SelfCheck(Answer):
    """With --self-check: whether the suite can fail."""

    mutants: list[Mutant]
    in_c: int = says("How many of them are in C.")
    in_c_left_out: str = says("Why there are none in C.")
    caught: int
    missed: list[str]
    healthy_runs: int
    healthy_failed: list[Healthy]


Conform = RootModel[ConformRun | SelfCheck | list[ConformCheck]]
"""A run; with --self-check that of the suite itself; with --list the rules."""
