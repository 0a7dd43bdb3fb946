"""Each conformance check as a pytest test: `pytest --ringlet-link=URL --pyargs ringlet.tools.conform`.

Without --ringlet-motion only what moves nothing is run. Not collected by Ringlet's own tests.
"""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from ringlet.tools.conform.probe import Room
from ringlet.tools.conform.report import evidence
from ringlet.tools.conform.run import FAIL, SKIP, Session, meet
from ringlet.tools.conform.table import Check, Level, chosen
from ringlet.tools.conform.wire import Wire
from ringlet.tools.transports import open_transport


@pytest.fixture(scope="session")
def device(request: pytest.FixtureRequest) -> Iterator[Session]:
    """The axis under test, put back at the end."""
    option = request.config.getoption
    url = option("--ringlet-link")
    if not url:
        pytest.skip("needs --ringlet-link URL")
    wire = Wire(open_transport(url))
    try:
        probe, report, found = meet(wire, option("--ringlet-node"), option("--ringlet-axis"), 1, room=Room())
        stops = bool(option("--ringlet-stops"))
        session = Session(probe, report, found, stops=stops, find=stops)
        yield session
        session.close()
        assert not report.left, f"not as it was found: {'; '.join(report.left)}"
    finally:
        wire.close()


@pytest.mark.parametrize("row", chosen([]), ids=lambda row: row.id)
def test_rule(device: Session, row: Check, request: pytest.FixtureRequest) -> None:
    """One rule of the reference."""
    if row.level is not Level.NOTHING and not request.config.getoption("--ringlet-motion"):
        pytest.skip("turns the ring; add --ringlet-motion when everything is clear of the gears")
    result = device.take(row)
    if result.outcome == SKIP:
        pytest.skip(result.reason)
    if result.outcome == FAIL:
        text = "\n".join(evidence(result))
        if row.severity == "should":
            pytest.xfail(f"{row.id} is a should: {text}")
        pytest.fail(text, pytrace=False)
