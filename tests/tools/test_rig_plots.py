"""Pictures of driven rings: a long run shows what was kept, and a ring at rest is a straight line."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from matplotlib.figure import Figure

from ringlet.tools.rig.handback import Phase, Told
from ringlet.tools.rig.plots import Drawn, draw, ring_of
from ringlet.tools.rig.session import Moment


def drawn(monkeypatch: pytest.MonkeyPatch, tmp_path: Path, begin: float, wander: float) -> list[Any]:
    """The panels of a picture of one ring over ten minutes."""
    kept: list[Any] = []
    monkeypatch.setattr(Figure, "savefig", lambda self, path: kept.extend(self.axes))
    times = [begin + 0.2 * n for n in range(3000)]
    moments = [Moment(at, Told(75.0, 0.0, Phase.AWAY, None, ""), float("nan")) for at in times]
    ring = ring_of("iris 16.1", moments, 100.0, [(at, 75.0 + wander * (n % 2)) for n, at in enumerate(times)])
    draw(Drawn([ring]), tmp_path / "a.png", "made for a test")
    return kept


def test_a_long_run_is_drawn_from_what_was_kept_on(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    for begin, low in ((3000.0, 3000.0), (0.02, 0.0)):
        panels = drawn(monkeypatch, tmp_path, begin, 5.0)
        assert len(panels) == 2
        for panel in panels:
            assert panel.get_xlim() == pytest.approx((low, begin + 599.8))


def test_a_ring_at_rest_is_not_blown_up(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    low, high = drawn(monkeypatch, tmp_path, 0.0, 0.006)[0].get_ylim()
    assert (high - low, 0.5 * (low + high)) == pytest.approx((1.0, 75.0), abs=0.01)
    low, high = drawn(monkeypatch, tmp_path, 0.0, 20.0)[0].get_ylim()
    assert high - low == pytest.approx(22.0, abs=1.0)
