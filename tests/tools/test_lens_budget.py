"""The precision budget: from depth of field to ring angle, to what a motor must reach; its verdict and its command."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from ringlet.hwsim.cardfile import load_lens, load_motor
from ringlet.tools.bench.run_folder import AxisTested, Finished, QuantityData, Run
from ringlet.tools.cli import main
from ringlet.tools.errors import UsageProblem
from ringlet.tools.lens import budget as engine
from ringlet.tools.lens import marksfile
from ringlet.tools.lens.budget import SHARES, Figure, Motor
from ringlet.tools.lens.curve import MarkCurve
from ringlet.tools.lens.field import depth, optics

Out = pytest.CaptureFixture[str]
LENS = optics(50, 2, 0.025)
CURVE = marksfile.load("focus-long").curve()
NEED = engine.need(LENS, CURVE, 1.0, CURVE.nearest, math.inf, 2.0)


def test_ring_angle_of_the_depth_of_field() -> None:
    for metres in (0.6, 1.5, 4.0):
        n = int(np.argmin(np.abs(NEED.distance_m - metres)))
        found = depth(LENS, float(NEED.distance_m[n]))
        near, far = CURVE.ring_at(found.near_m), CURVE.ring_at(found.far_m)
        assert NEED.span_deg[n] == pytest.approx(far - near, abs=1e-9)
        assert NEED.allowed_deg[n] == pytest.approx(min(NEED.ring_deg[n] - near, far - NEED.ring_deg[n]), abs=1e-9)


def test_at_the_ends_of_the_marks() -> None:
    # At the first mark the near limit lies off the scale: the ring is taken to go on as it does there.
    near = depth(LENS, 0.45).near_m
    assert NEED.distance_m[0] == pytest.approx(0.45)
    slope = (1 / near - 1 / 0.45) / abs(CURVE.rate_at(0.0))
    assert NEED.span_deg[0] - (CURVE.ring_at(depth(LENS, 0.45).far_m) - 0.0) == pytest.approx(slope)
    # At infinity only the near half can be missed.
    assert NEED.distance_m[-1] == math.inf
    assert NEED.allowed_deg[-1] == pytest.approx(300.0 - CURVE.ring_at(float(NEED.near_m[-1])))
    assert NEED.span_deg[-1] == math.inf


def test_the_smaller_half_counts_on_whichever_side() -> None:
    """A ring whose far end is pressed together: there the far half is the smaller one."""
    pressed = MarkCurve.from_marks([(0, 0.5), (200, 1), (280, 2), (295, 5), (300, math.inf)], "distance")
    found = engine.need(LENS, pressed, 0.0, 0.5, math.inf)
    n = int(np.argmin(np.abs(found.distance_m - 2.5)))
    sharp = depth(LENS, float(found.distance_m[n]))
    behind = pressed.ring_at(sharp.far_m) - found.ring_deg[n]
    assert found.allowed_deg[n] == pytest.approx(behind, abs=1e-9)
    assert behind < found.ring_deg[n] - pressed.ring_at(sharp.near_m)


def test_ring_speed_is_the_slope_times_the_subjects() -> None:
    still = NEED.distance_m < 2.0 - 1e-9
    assert not NEED.ring_speed_deg_s[still].any()
    n = int(np.argmin(np.abs(NEED.distance_m - 3.0)))
    d = float(NEED.distance_m[n])
    assert NEED.ring_speed_deg_s[n] == pytest.approx(
        (CURVE.ring_at(d + 1e-4) - CURVE.ring_at(d - 1e-4)) / 2e-4, rel=1e-3
    )
    assert NEED.ring_speed_deg_s[-1] == 0.0
    assert NEED.ring_speed_deg_s.max() == NEED.ring_speed_deg_s[np.argmin(np.abs(NEED.distance_m - 2.0))]


def motor(count: float, play: float, repeat: float, latency: float) -> Motor:
    return Motor("m", *(Figure(value, 0.0, "given") for value in (count, play, repeat, latency)))


def test_a_motor_that_takes_just_its_shares_takes_all_at_the_worst_place() -> None:
    assert sum(SHARES.values()) == pytest.approx(1.0)
    still = engine.need(LENS, CURVE, 0.0, CURVE.nearest, math.inf)
    need = engine.required(still)
    assert need["latency"] == math.inf
    found = engine.budget(still, motor(need["count"], need["play"], need["repeatability"], 0.0))
    ratio = found.total_deg / still.allowed_deg
    assert ratio.max() == pytest.approx(1.0 - SHARES["latency"])
    assert found.worst == int(np.argmin(still.allowed_deg))
    # Latency alone: at its share it takes just that, where ring speed against allowed error is worst.
    time = engine.required(NEED)["latency"]
    alone = engine.budget(NEED, Motor("m", latency_s=Figure(time, 0.0, "given")))
    assert (alone.total_deg / NEED.allowed_deg).max() == pytest.approx(SHARES["latency"])


@pytest.mark.parametrize(("factor", "ok"), [(0.999, True), (1.001, False)])
def test_the_verdict_turns_where_the_sum_meets_the_limit(factor: float, ok: bool) -> None:
    play = 2 * factor * float(NEED.allowed_deg.min())
    found = engine.budget(NEED, Motor("m", play_deg=Figure(play, 0.0, "given")))
    assert [one.ok for one in found.verdicts] == [ok]
    assert found.unknown == ("count", "repeatability", "latency")
    doubtful = engine.budget(NEED, Motor("m", play_deg=Figure(play, 0.01, "given")))
    assert doubtful.verdicts[0].ok  # the doubt is for the device


def test_a_slow_ring_fails_by_its_speed() -> None:
    fast = float(NEED.ring_speed_deg_s.max())
    for top, ok in ((fast * 1.01, True), (fast * 0.99, False)):
        found = engine.budget(NEED, motor(0, 0, 0, 0)._replace(top_speed_deg_s=Figure(top, 0.0, "given")))
        assert [one.ok for one in found.verdicts] == [True, ok]


def test_a_motor_card() -> None:
    card, lens = load_motor("medium"), load_lens("focus-long")
    known = engine.of_card(card, lens)
    assert known.count_deg is not None
    assert known.count_deg.value == pytest.approx(360 / (2048 * 14 * 134 / 40))
    assert known.play_deg is not None
    # Play of the gearhead, seen through the gears, and of the mesh.
    assert known.play_deg.value == pytest.approx(0.10 + 0.4 * 40 / 134)
    assert known.repeat_deg is None
    assert known.latency_s is None
    with pytest.raises(UsageProblem, match="needs a whole lens card"):
        engine.of_card(card, None)


# --- bench runs ---------------------------------------------------------------------------------------------------


def run_of(*axes: tuple[int, dict[str, float]]) -> Run:
    """A bench run with these quantities and little else; invented."""

    def tested(node: int, figures: dict[str, float]) -> AxisTested:
        rows = [
            QuantityData(name=name, value=value, unit="deg", uncertainty=0.001, method="", source="")
            for name, value in figures.items()
        ]
        done = Finished.model_construct(quantities=rows)
        return AxisTested.model_construct(
            node=node, axis=0, parameters={"velocity-limit": "240 deg/s"}, results={"repeat": done}
        )

    return Run.model_construct(axes=[tested(*one) for one in axes])


GAUGED = {
    "reversal value B": 0.2,
    "reversal value in counts": 50.0,
    "repeatability R": 0.3,
    "play between motor and ring": 0.15,
    "unidirectional repeatability, up": 0.02,
    "unidirectional repeatability, down": 0.03,
    "setpoint to ring, median": 0.02,
}


@pytest.fixture
def kept(monkeypatch: pytest.MonkeyPatch) -> Callable[[Run], list[Path]]:
    """Makes a run the one that any folder holds."""

    def keep(run: Run) -> list[Path]:
        monkeypatch.setattr("ringlet.tools.bench.run_folder.load", lambda place: run)
        return [Path("run")]

    return keep


Keep = Callable[[Run], list[Path]]


def value(figure: Figure | None) -> float | None:
    return None if figure is None else figure.value


def test_a_bench_run(kept: Keep) -> None:
    known = engine.of_bench(kept(run_of((16, GAUGED))))
    assert [value(one) for one in known[1:]] == [pytest.approx(v) for v in (0.004, 0.15, 0.03, 0.02, 240.0)]
    assert known.play_deg is not None
    assert known.play_deg.uncertainty == 0.001


def test_a_bench_run_that_did_not_note_the_velocity_limit(kept: Keep) -> None:
    run = run_of((16, GAUGED))
    run.axes[0].parameters.clear()
    known = engine.of_bench(kept(run))
    assert known.top_speed_deg_s is None
    (verdict,) = engine.budget(NEED, known).verdicts
    assert verdict.name.startswith("errors together at")


def test_without_a_gauge_play_stays_unknown(kept: Keep) -> None:
    """The encoder sits on the motor: it does not see play, and what it sees of a reversal is in R."""
    figures = {name: value for name, value in GAUGED.items() if "play" not in name}
    known = engine.of_bench(kept(run_of((16, figures))))
    assert known.play_deg is None
    assert value(known.repeat_deg) == 0.3
    found = engine.budget(NEED, known)
    assert found.unknown == ("play",)
    with_card = engine.together(engine.of_card(load_motor("medium"), load_lens("focus-long")), known)
    assert value(with_card.play_deg) == pytest.approx(0.10 + 0.4 * 40 / 134)
    assert value(with_card.repeat_deg) == 0.3
    assert with_card.name == "medium"


def test_bench_runs_that_cannot_be_used(kept: Keep, tmp_path: Path) -> None:
    with pytest.raises(UsageProblem, match="holds no bench run"):
        engine.of_bench([tmp_path / "none"])
    two = kept(run_of((16, GAUGED), (17, GAUGED)))
    with pytest.raises(UsageProblem, match=r"several axes \(16\.0, 17\.0\); choose one with --axis"):
        engine.of_bench(two)
    assert engine.of_bench(two, "17.0").name == "axis 17.0"
    with pytest.raises(UsageProblem, match=r"no figure of .* for axis 18\.0"):
        engine.of_bench(two, "18.0")
    with pytest.raises(UsageProblem, match="no figure of"):
        engine.of_bench(kept(run_of((16, {"inertia": 1.0}))))


# --- the command --------------------------------------------------------------------------------------------------

GOOD = ["budget", "--lens", "focus-long", "--focal", "50mm", "--stop", "T2", "--coc", "0.025mm"]


def test_the_command_passes_and_fails(tmp_path: Path, capsys: Out) -> None:
    picture = tmp_path / "budget.png"
    assert main([*GOOD, "--motor", "medium", "--latency", "40ms", "--plot", str(picture), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert all(one["ok"] for one in told["verdicts"])
    assert told["not_known"] == ["repeatability"]
    assert told["worst_distance_m"] == pytest.approx(2.0)
    assert picture.stat().st_size > 20_000
    assert main([*GOOD, "--motor", "medium", "--latency", "0.1"]) == 1
    heard = capsys.readouterr()
    assert "does not keep this lens sharp: errors together at 2 m" in heard.err
    assert "hyperfocal distance 50.05 m" in heard.out


def test_a_real_bench_run_is_judged(tmp_path: Path, capsys: Out) -> None:
    run = tmp_path / "run"
    assert main(["bench", "repeat", "--find", "--link", "sim:single", "--out", str(run), "--json"]) == 0
    capsys.readouterr()
    assert main([*GOOD, "--bench", str(run), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["motor"] == "axis 16.0"
    assert told["not_known"] == ["latency"]
    # The simulated ring stands for a gauge: what it found is near what the cards say.
    assert told["figures"]["play_deg"]["value"] == pytest.approx(0.10 + 0.4 * 40 / 134, abs=0.1)
    assert told["figures"]["count_deg"]["value"] == pytest.approx(360 / (2048 * 14 * 134 / 40), rel=1e-3)


def test_without_a_motor_it_only_says_what_is_needed(capsys: Out) -> None:
    assert main([*GOOD, "--focal", "300mm", "--stop", "T1.4", "--from", "3m", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["verdicts"] == []
    assert told["required"]["play"] < 0.1
    assert main(GOOD) == 0
    assert "not known" in capsys.readouterr().out
    assert main([*GOOD, "--subject", "0"]) == 0  # a subject that stands still
    out = capsys.readouterr().out
    assert "anything" in out
    assert "inf ms" not in out


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--lens", "iris"], "for focus rings, and these are stop marks"),
        (["--focal", "T2"], "--focal"),
        (["--stop", "50mm"], "units are mixed"),
        (["--coc", "0"], "circle of confusion is 0 mm"),
        (["--focal", "200mm"], "four focal lengths"),
        (["--from", "5m", "--to", "2m"], "give the nearer one first"),
        (["--from", "0.1m"], "outside the marks"),
        (["--motor", "huge"], "No motor card"),
        (["--bench", "nowhere"], "holds no bench run"),
        (["--latency", "soon"], "--latency"),
        (["--subject", "-1"], "--subject"),
        (["--transmission", "2"], "transmission"),
        (["--plot", "x.doc"], "no name for a picture"),
        (["--lens", "nowhere.csv"], "cannot be read"),
    ],
)
def test_bad_input_is_one_sentence(capsys: Out, words: list[str], said: str) -> None:
    assert main([*GOOD, *words]) == 2
    err = capsys.readouterr().err.strip()
    assert said in err
    assert len(err.splitlines()) == 1
