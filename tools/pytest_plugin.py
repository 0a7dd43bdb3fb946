"""pytest fixtures for bench scripts: a simulated rig in virtual time, and a real link given on the command line.

`ringlet_sim` is a link on the shipped rig `trio`, or on another one by `@pytest.mark.ringlet_rig("single")`.
`ringlet_link` is the link of `--ringlet-link URL`; without the option the test is skipped.
Everything heavy is imported inside the fixtures, so that other test runs pay nothing for the plugin.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from ringlet.tools.link import Link

MARK = "ringlet_rig"


def pytest_addoption(parser: pytest.Parser) -> None:
    group = parser.getgroup("ringlet", "bench tests of lens motors")
    group.addoption(
        "--ringlet-link",
        default=None,
        metavar="URL",
        help="link to real motors, for tests that use the fixture ringlet_link; they move what is connected",
    )
    # These four are for the conformance checks, `pytest --ringlet-link=URL --pyargs ringlet.tools.conform`.
    group.addoption("--ringlet-node", type=int, default=None, metavar="ADDRESS", help="conformance: the node's address")
    group.addoption("--ringlet-axis", type=int, default=0, metavar="AXIS", help="conformance: axis of the node")
    group.addoption("--ringlet-motion", action="store_true", help="conformance: the ring may be turned")
    group.addoption("--ringlet-stops", action="store_true", help="conformance: the ring has hard stops to be touched")


def pytest_configure(config: pytest.Config) -> None:
    config.addinivalue_line("markers", f"{MARK}(name): rig (shipped name or TOML file) behind the fixture ringlet_sim")


@pytest.fixture
def ringlet_sim(request: pytest.FixtureRequest) -> Iterator[Link]:
    """A link on a simulated rig of its own, in virtual time."""
    from ringlet.tools.link import Link

    marker = request.node.get_closest_marker(MARK)
    if marker is not None and len(marker.args) != 1:
        raise pytest.UsageError(f"the marker {MARK} takes one argument, the name or file of a rig")
    with Link.open(f"sim:{marker.args[0] if marker else 'trio'}") as link:
        yield link


@pytest.fixture
def ringlet_link(request: pytest.FixtureRequest) -> Iterator[Link]:
    """The link of --ringlet-link; skips without it. Stops everything when the test ends."""
    url = request.config.getoption("--ringlet-link")
    if not url:
        pytest.skip("needs --ringlet-link URL (a real motor, or a rig served by `ringlet sim`)")
    from ringlet.tools.link import Link

    with Link.open(url) as link:
        yield link
        link.stop()
