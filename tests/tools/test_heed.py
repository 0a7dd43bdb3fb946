"""A stop of another control ends a measurement, and nothing starts the ring again."""

from __future__ import annotations

from typing import Any

import pytest
from test_bench_procedures import bench

from ringlet.protocol import messages as m
from ringlet.protocol.codec import kind_of, pack, packet, unpack
from ringlet.protocol.header import ALL_AXES, EVERYONE
from ringlet.tools.bench.registry import MEASUREMENTS
from ringlet.tools.cli import main
from ringlet.tools.errors import StopHeard
from ringlet.tools.pending import STARTS
from ringlet.tools.transports import SimTransport

STARTING = STARTS | {"stream-ring", "stream-travel", "sync"}


class Stranger:
    """Sends a stop at a time of the rig, to whom it may concern; then notes what this program sends."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, **where: int) -> None:
        self.at_us: int | None = None
        self.sent: list[str] = []
        self._where = {"dst": EVERYONE, "axis": ALL_AXES} | where
        self._heard = False
        step, send = SimTransport.step, SimTransport.send

        def stepped(transport: SimTransport) -> None:
            if self.at_us is not None and transport.rig.now_us >= self.at_us:
                self.at_us = None
                transport.rig.send(*pack(packet(m.Stop(1), src=5, **self._where)))
                step(transport)
                self._heard = True
            step(transport)

        def sending(transport: SimTransport, ident: int, data: bytes) -> None:
            if self._heard:
                self.sent.append(kind_of(unpack(ident, data).body).name)
            send(transport, ident, data)

        monkeypatch.setattr(SimTransport, "step", stepped)
        monkeypatch.setattr(SimTransport, "send", sending)

    def started(self) -> set[str]:
        return set(self.sent) & STARTING


@pytest.mark.parametrize("name", ["ramp", "limit", "step", "repeat", "friction", "latency"])
@pytest.mark.parametrize("after_s", [0.4, 2.3])
def test_a_stop_of_another_control_ends_the_measurement(
    name: str, after_s: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    stranger = Stranger(monkeypatch)
    with bench("single") as made:
        assert made.link.rig is not None
        stranger.at_us = made.link.rig.now_us + round(1e6 * after_s)
        with pytest.raises(StopHeard, match="control 5 sent a stop for axis 0 of node 16"):
            MEASUREMENTS[name].measure(made)
    assert stranger.at_us is None
    assert stranger.sent
    assert not stranger.started()


def test_a_stop_for_another_axis_ends_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    stranger = Stranger(monkeypatch, dst=17)
    with bench("single") as made:
        assert made.link.rig is not None
        stranger.at_us = made.link.rig.now_us + 400_000
        MEASUREMENTS["ramp"].measure(made)
    assert stranger.started()


@pytest.mark.parametrize("after_s", [2.0, 14.0, 16.0, 19.0])
def test_limits_start_nothing_after_a_stop(after_s: float, monkeypatch: pytest.MonkeyPatch, capsys: Any) -> None:
    stranger = Stranger(monkeypatch)
    stranger.at_us = round(1e6 * after_s)
    assert main(["limits", "--find", "--link", "sim:single"]) == 1
    assert stranger.at_us is None
    assert "control 5 sent a stop" in capsys.readouterr().err
    assert not stranger.started()


def test_a_whole_bench_ends_with_it(monkeypatch: pytest.MonkeyPatch, tmp_path: Any, capsys: Any) -> None:
    stranger = Stranger(monkeypatch)
    stranger.at_us = 9_000_000
    assert main(["bench", "all", "--find", "--yes", "--link", "sim:pair", "--out", str(tmp_path / "run")]) == 1
    assert "control 5 sent a stop" in capsys.readouterr().err
    assert not stranger.started()
