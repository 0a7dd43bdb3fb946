"""The ramp that is drawn before limits are applied, and the command around the page."""

from __future__ import annotations

from itertools import pairwise

import pytest

from ringlet.tools.cli import main
from ringlet.tools.page.preview import picture, profile


def test_the_profile_covers_the_distance_within_its_limits() -> None:
    points = profile((100.0, 500.0, 250.0, 5000.0), 60.0)
    area = sum((b[0] - a[0]) * (a[1] + b[1]) / 2 for a, b in pairwise(points))
    assert area == pytest.approx(60.0, rel=0.01)
    assert max(speed for _, speed in points) <= 100.0 + 1e-6
    assert points[-1][1] == pytest.approx(0.0, abs=1e-6)


def test_the_picture_says_both_times_in_words_and_doubles_colour_by_line() -> None:
    made = picture((100.0, 500.0, 500.0, 5000.0), (50.0, 500.0, 500.0, 5000.0), 60.0)
    assert f"takes {profile((100.0, 500.0, 500.0, 5000.0), 60.0)[-1][0]:.2f} s now" in made
    assert f"and {profile((50.0, 500.0, 500.0, 5000.0), 60.0)[-1][0]:.2f} s then" in made
    assert "highest speed 100.0 and 50.0 deg/s" in made
    assert made.count("<polyline") == 2
    assert made.count("stroke-dasharray") == 3


def test_limits_that_cannot_be_are_refused() -> None:
    with pytest.raises(ValueError, match="limit"):
        picture((100.0, 500.0, 500.0, 5000.0), (0.0, 500.0, 500.0, 5000.0), 60.0)


@pytest.mark.parametrize(("words", "code", "said"), [
    (["--link", "sim:trio", "--host", "0.0.0.0"], 2, "add --token"),
    (["--link", "sim:trio", "--port", "70000"], 2, "--port"),
    ([], 2, "no link"),
    (["--link", "serial:/dev/nowhere", "--port", "0"], 3, "nowhere"),
    (["--link", "sim:trio", "--port", "0", "--card", "16.0"], 2, "16.0=focus-long"),
    (["--link", "sim:trio", "--port", "0", "--card", "=focus-long"], 2, "16.0=focus-long"),
    (["--link", "sim:trio", "--port", "0", "--card", "16=focus-long"], 2, "NODE.AXIS"),
    (["--link", "sim:trio", "--port", "0", "--card", "16.0=nowhere"], 2, "nowhere"),
    (["--link", "sim:trio", "--port", "0", "--card", "16.0=iris"], 2, "focus ring"),
    (["--link", "sim:trio", "--port", "0", "--card", "99.0=iris"], 2, "99.0"),
    (["--link", "sim:trio", "--port", "0", "--pair", "16.0=99.0"], 2, "99.0"),
    (["--link", "sim:trio", "--port", "0", "--folder", "/no/such/folder"], 2, "--folder"),
])  # fmt: skip
def test_the_command_says_what_is_wrong(
    words: list[str], code: int, said: str, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    pytest.importorskip("nicegui", reason="the page needs the extra `page`")
    monkeypatch.delenv("RINGLET_LINK", raising=False)
    assert main(["page", *words]) == code
    assert said in capsys.readouterr().err
