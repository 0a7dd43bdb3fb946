"""Every command that offers --json is run, and what it answers is what `ringlet schema --json-of` says."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Callable
from contextlib import nullcontext
from pathlib import Path
from typing import Any, NamedTuple

import pytest
from answer_check import valid
from help_tools import leaves
from jsonschema import Draft202012Validator

from ringlet.tools.answers import ANSWERS, schema_of
from ringlet.tools.cli import main
from ringlet.tools.link import Link

Out = pytest.CaptureFixture[str]
SINGLE, PAIR = ("--link", "sim:single"), ("--link", "sim:pair")
HELD = ("--link", "sim:single?store=held")
PAIR_HELD = ("--link", "sim:pair?store=held-pair")
MINE = "ring_deg,distance_m\n0,1.0\n60,2.0\n120,4.0\n180,inf\n"


class Case(NamedTuple):
    """One command line (without --json), and what its exit code must be."""

    words: tuple[str, ...]
    code: int = 0


def case(line: str, *more: str, code: int = 0) -> Case:
    return Case((*line.split(), *more), code)


CASES: dict[str, list[Case]] = {
    "stop": [case("stop", *SINGLE), case("stop --node 16 --axis 0", *SINGLE)],
    "discover": [case("discover", *PAIR)],
    "identify": [case("identify", *PAIR)],
    "status": [case("status", *PAIR)],
    "watch": [case("watch --seconds 0.4", *SINGLE)],
    "doctor": [case("doctor", *SINGLE), case("doctor")],
    "move": [case("move 10 --find", *SINGLE)],
    "jog": [case("jog 5 --seconds 0.2", *SINGLE)],
    "hold": [case("hold", *SINGLE)],
    "release": [case("release", *SINGLE)],
    "find-stops": [case("find-stops", *SINGLE)],
    "set-travel": [case("set-travel low", *SINGLE)],
    "get": [case("get", *SINGLE), case("get role jerk-limit", *SINGLE)],
    "set": [case("set role=focus velocity-limit=90", *SINGLE)],
    "save": [case("save", *SINGLE)],
    "restore": [case("restore", *SINGLE), case("restore --factory --yes", *SINGLE)],
    "own": [case("own", *SINGLE), case("own take --seconds 0.2", *SINGLE)],
    "clear-fault": [case("clear-fault", *SINGLE)],
    "bus": [
        case("bus pair --clock 80MHz"), case("bus --motors 8 --bitrate 50000", code=1),
        case("bus pair --baud 115200", code=1),
    ],
    "rig check": [case("rig check pair", *PAIR), case("rig check trio", *PAIR, code=1)],
    "rig apply": [case("rig apply pair --yes", *PAIR)],
    "setup save": [case("setup save one --folder kept", *PAIR)],
    "setup list": [case("setup list --folder ready")],
    "setup show": [case("setup show ready --folder ready")],
    "setup apply": [case("setup apply ready --folder ready --yes", *PAIR)],
    "ramp": [case("ramp 30 --find --out ramp", *SINGLE)],
    "limits": [case("limits --find", *SINGLE)],
    "conform": [
        case("conform --gentle --only TAG-*", *SINGLE), case("conform --list"),
        case("conform --self-check --only TAG-01 --runs 1 --gentle"),
    ],
    "budget": [
        case("budget --lens focus-long"), case("budget --lens focus-long --motor medium --plot budget.svg"),
    ],
    "marks take": [
        case("marks take distance --out new.toml", *SINGLE), case("marks take distance --out new.toml", *SINGLE),
    ],
    "marks show": [case("marks show focus-long --motor medium"), case("marks show mine.csv --plot marks.svg")],
    "marks convert": [case("marks convert focus-long 2.5m inf 120deg")],
    "marks upload": [case("marks upload focus-long --save", *HELD)],
    "marks read": [case("marks read --out held.csv", *HELD)],
    "marks check": [case("marks check focus-long", *HELD), case("marks check mine.csv", *HELD, code=1)],
    "pair curve": [
        case("pair curve focus-long focus-long-right --plot pair.svg"), case("pair curve iris iris-right"),
    ],
    "pair upload": [case("pair upload focus-long focus-long-right --save", *PAIR_HELD)],
    "pair move": [case("pair move 2.5m --find", *PAIR_HELD)],
    "pair geometry": [
        case("pair geometry --interaxial 60mm --convergence 3m"),
        case("pair geometry --interaxial 40mm --convergence 2m --scene 2m,10m --screen 10 --clearance mirror-demo "
             "--from 20,0.5"),
    ],
    "pair converge": [case("pair converge --interaxial 60mm --axis 17.0 --near 2m", *PAIR)],
    "pair limits": [
        case("pair limits --clearance mirror-demo --toe-in 0,2"),
        case("pair limits --clearance mirror-demo --here 30,0.5 --link sim:eight"),
    ],
    "drive": [
        case("drive --range any --control 2 --focus 16.0 --find --at 0.2=hand --seconds 0.5", *PAIR),
        case("drive --control 2 --find --seconds 0.2", *PAIR),
    ],
    "record": [
        case("record a.mcap --start 01:00:00:00 --frame-rate 25 --seconds 1", *SINGLE),
        case("record b.mcap --seconds 0.5", *SINGLE),
    ],
    "take show": [case("take show ready.mcap")],
    "take recover": [case("take recover ready.mcap")],
    "take export": [case("take export ready.mcap --frame-rate 25 --format csv")],
    "sim": [case("sim single --tcp --seconds 0")],
    "rigs": [case("rigs")],
    "cards": [case("cards"), case("cards medium")],
    "plant": [case("plant small iris")],
    "sweep": [
        case("sweep small iris motor.gear_teeth=30,40 --move legs=1 --move distance_deg=10"), case("sweep --keys"),
    ],
    "schema": [
        case(f"schema {table}") for table in
        ("all", "kinds", "parameters", "states", "transitions", "codes", "timing", "addresses", "move",
         "--json-of move --out schemas")
    ],
    "encode": [case("encode move position=12.5 speed=0"), case("encode stop --dst 127")],
    "decode": [case("decode --can 0C400810#00D4300000000000"), case("decode --serial 00ff00", code=2)],
    "emit": [case("emit dbc --out made")],
}  # fmt: skip
"""Every command with --json; what it reads is in READY. The rest is below."""
READY = {
    "setup": ("ready", "setup save ready --folder ready --link sim:pair"),
    "take": ("ready.mcap", "record ready.mcap --start 01:00:00:00 --frame-rate 25 --seconds 1 --link sim:single"),
    "marks": ("held", "marks upload focus-long --save --link sim:single?store=held"),
    "pair": ("held-pair", "pair upload focus-long focus-long-right --save --link sim:pair?store=held-pair"),
    "limit": ("ready-limit", "bench limit --find --out ready-limit --link sim:single"),
    "latency": ("ready-latency", "bench latency --find --out ready-latency --link sim:single"),
    "together": (
        "ready-together", "bench together --find --out ready-together --node 16 --with 17.0 --link sim:pair",
    ),
}  # fmt: skip
"""What other cases read: the file or folder, and the command that makes it. Tests may run in several processes."""
BENCH = ("ramp", "limit", "step", "repeat", "friction", "stops", "latency", "together", "soak", "all")
ELSEWHERE = {"demo"}
"""Validated in test_demo.py and test_demo_rig.py, which tell its stories anyway."""
BELOW = {"page", "pair skew", "replay", "report compare", "report show", *(f"bench {name}" for name in BENCH)}


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """One folder for all, so that a later command finds what an earlier one wrote."""
    made = tmp_path_factory.mktemp("answers")
    (made / "mine.csv").write_text(MINE, encoding="utf-8")
    return made


def ready(name: str) -> str:
    """Make what a case reads, where it is not there yet; a run may be there from the test of its measurement."""
    if Path(f"run-{name}", "bench.json").exists():
        return f"run-{name}"
    path, line = READY[name]
    if not Path(path).exists():
        assert main(line.split()) == 0
    return path


@pytest.fixture(autouse=True)
def _there(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(folder)
    monkeypatch.delenv("RINGLET_LINK", raising=False)
    monkeypatch.delenv("RINGLET_SOURCE", raising=False)


def test_every_command_with_json_has_a_schema_and_a_run_here() -> None:
    offered = {one.name for one in leaves() if one.has("--json")}
    assert set(ANSWERS) == offered, "a command with --json needs a row in tools/answers.py, and no other"
    assert set(CASES) | BELOW | ELSEWHERE == offered, "and a case here"


@pytest.mark.parametrize("command", ANSWERS)
def test_a_schema_is_right_by_itself(command: str) -> None:
    """2020-12, no open object without a reason, and each number with its unit or a sentence."""
    schema = schema_of(command)
    Draft202012Validator.check_schema(schema)
    assert schema["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    for path, one in _all(schema, ""):
        if one.get("type") == "object":
            assert one.get("additionalProperties") is not None, f"{command}: {path} is open"
        for name, field in one.get("properties", {}).items():
            kinds = field.get("type")
            if "number" in (kinds if isinstance(kinds, list) else [kinds]):
                assert field.get("description") or name in UNITLESS, f"{command}: what is the unit of {path}/{name}?"


UNITLESS = {
    "value", "limit", "measured", "setpoint", "a", "a_u", "b", "b_u", "difference", "difference_u", "lowest", "highest",
    "curve", "soft_ends",
}
"""Numbers whose unit stands beside them in another key or in the name of the object around them, or that have none."""


def _all(schema: Any, path: str) -> list[tuple[str, dict[str, Any]]]:
    found: list[tuple[str, dict[str, Any]]] = []
    if isinstance(schema, dict):
        found.append((path, schema))
        for key, one in schema.items():
            found += _all(one, f"{path}/{key}")
    elif isinstance(schema, list):
        for one in schema:
            found += _all(one, path)
    return found


@pytest.mark.parametrize("number", range(3))
def test_nothing_but_the_schema_passes(number: int) -> None:
    """A schema that accepts everything would prove nothing."""
    schema = schema_of("status")
    view = dict.fromkeys(schema["$defs"]["AxisView"]["required"], "")
    wrong: list[Any] = [{"axes": [view]}, {"axes": [], "more": 1}, {}]
    assert list(Draft202012Validator(schema).iter_errors(wrong[number]))


ROWS = [pytest.param(name, one, id=" ".join(one.words)) for name, rows in CASES.items() for one in rows]


@pytest.mark.parametrize(("command", "one"), ROWS)
def test_the_answer_keeps_its_schema(command: str, one: Case, capsys: Out, monkeypatch: pytest.MonkeyPatch) -> None:
    if command == "marks take":
        monkeypatch.setattr("sys.stdin", _lines("1m", "by 20", "2m", "by 20", "4m", "quit" if one is CASES[command][0]
                                                else "done"))  # fmt: skip
    for name, (path, _) in READY.items():
        if any(path == word or word.endswith(f"store={path}") for word in one.words) and command != f"{name} upload":
            ready(name)
    capsys.readouterr()
    assert main([*one.words, "--json"]) == one.code, capsys.readouterr().err
    out = capsys.readouterr().out
    if one.code == 2:
        assert out == ""
        return
    valid(command, out)


def _lines(*words: str) -> Any:
    import io

    return io.StringIO("\n".join(words) + "\n")


SLOW = {"step", "repeat", "friction", "stops"}
"""Seconds each: here their commands run with the measurement of latency, as what is printed is of one type for all."""


@pytest.mark.parametrize("name", BENCH)
def test_a_measurement_keeps_its_schema(name: str, capsys: Out, monkeypatch: pytest.MonkeyPatch) -> None:
    from ringlet.tools.bench.registry import MEASUREMENTS

    if name in SLOW:
        quick = MEASUREMENTS[name]._replace(measure=MEASUREMENTS["latency"].measure)
        monkeypatch.setitem(MEASUREMENTS, name, quick)
    if name == "all":
        for one in set(MEASUREMENTS) - {"latency"}:
            monkeypatch.delitem(MEASUREMENTS, one)
    words = ["bench", name, "--find", "--yes", "--out", f"run-{name}", *(PAIR if name == "together" else SINGLE)]
    words += {"soak": ["--moves", "2"], "together": ["--node", "16", "--with", "17.0"]}.get(name, [])
    code = main([*words, "--json"])
    out, err = capsys.readouterr()
    assert code in (0, 1), err
    told = valid(f"bench {name}", out)
    assert all(one["quantities"] or one["verdicts"] for rows in told.values() for one in rows)


def test_reports_keep_their_schemas(capsys: Out) -> None:
    latency, limit = ready("latency"), ready("limit")
    capsys.readouterr()
    assert main(["report", "compare", latency, limit, "--json"]) == 0
    assert valid("report compare", capsys.readouterr().out)["quantities"]
    assert main(["report", "show", latency, "--json"]) == 0
    assert valid("report show", capsys.readouterr().out)["page"]


def test_a_take_that_is_played_keeps_its_schema(capsys: Out, monkeypatch: pytest.MonkeyPatch) -> None:
    """All on one rig, which inside each command would be as at its beginning."""
    with Link.open("sim:single") as link:
        monkeypatch.setattr("ringlet.tools.cli_common.open_link", lambda url, source: nullcontext(link))
        assert main(["find-stops"]) == 0
        assert main(["record", "still.mcap", "--seconds", "1"]) == 0
        capsys.readouterr()
        assert main(["replay", "still.mcap", "--check", "--json"]) == 0
        assert valid("replay", capsys.readouterr().out)["fits"]
        assert main(["replay", "still.mcap", "--json"]) == 0
        assert valid("replay", capsys.readouterr().out)["axes"]


def test_the_skew_of_a_run_keeps_its_schema(capsys: Out) -> None:
    together = ready("together")
    capsys.readouterr()
    assert main(["pair", "skew", together, "--lens", "focus-long", "--json"]) == 0
    assert valid("pair skew", capsys.readouterr().out)["passes"]


def test_the_page_says_where_it_is(capsys: Out, monkeypatch: pytest.MonkeyPatch) -> None:
    pytest.importorskip("nicegui")

    def serve(bench: object, host: str, port: int, *, ready: Callable[[], None], **more: object) -> None:
        ready()

    monkeypatch.setattr("ringlet.tools.page.server.serve", serve)
    assert main(["page", *SINGLE, "--port", "0", "--json"]) == 0
    assert valid("page", capsys.readouterr().out)["exposed"] is False


def test_the_schemas_are_published(capsys: Out, tmp_path: Path) -> None:
    assert main(["schema", "--json-of", "bench ramp"]) == 0
    assert json.loads(capsys.readouterr().out) == schema_of("bench ramp")
    assert main(["schema", "--json-of", "all"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert set(found) == set(ANSWERS)
    assert main(["schema", "--json-of", "all", "--out", str(tmp_path)]) == 0
    assert json.loads((tmp_path / "bench-ramp.schema.json").read_text(encoding="utf-8")) == schema_of("bench ramp")
    assert len(list(tmp_path.iterdir())) == len(ANSWERS)
    capsys.readouterr()
    assert main(["schema", "--json-of", "bench"]) == 2
    assert "bench all" in capsys.readouterr().err


def test_the_schemas_need_no_extra() -> None:
    """Whoever reads answers need not have what makes them."""
    code = (
        "import sys\n"
        "class Missing:\n"
        "    def find_spec(self, name, path=None, target=None):\n"
        "        if name.split('.')[0] in {'scipy', 'matplotlib', 'mcap', 'timecode', 'pyarrow', 'nicegui', 'numba'}:\n"
        "            raise ModuleNotFoundError(name, name=name)\n"
        "sys.meta_path.insert(0, Missing())\n"
        "from ringlet.tools.cli import main\n"
        "raise SystemExit(main(['schema', '--json-of', 'all']))\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=120, check=False)
    assert done.returncode == 0, done.stderr
    assert set(json.loads(done.stdout)) == set(ANSWERS)
