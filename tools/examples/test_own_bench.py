"""A bench of your own under pytest.

    pytest tools/examples/test_own_bench.py                                                # a simulated rig only
    pytest tools/examples/test_own_bench.py --ringlet-link 'serial:/dev/ttyUSB0?baud=115200' # and your motor, gently

The tests with `ringlet_link` turn your ring by 2 degrees about the place where it stands.
"""

from __future__ import annotations

import pytest

from ringlet.tools.errors import DeviceRefused
from ringlet.tools.link import Link


@pytest.mark.ringlet_rig("single")
def test_a_ring_comes_back_to_its_place(ringlet_sim: Link) -> None:
    ring = ringlet_sim.axis(node=16, axis=0)
    ring.take()
    ring.find_stops()
    places = []
    for start in (10.0, 60.0):  # once from below, once from above
        ring.move(start)
        ring.move(35.0)
        places.append(ring.position())
    assert max(places) - min(places) < 0.2  # deg: the play of the gears, and a little friction


@pytest.fixture
def node(ringlet_link: Link) -> int:
    """Address of the first node on your bench."""
    found = [one for one in ringlet_link.discover() if not one.fresh]
    assert found, f"no node with an address answers on {ringlet_link.url}; try `ringlet discover --assign`"
    return found[0].address


def test_nothing_moves_that_nobody_owns(ringlet_link: Link, node: int) -> None:
    with pytest.raises(DeviceRefused):
        ringlet_link.axis(node, axis=0).run(2.0)


def test_a_small_move_ends_where_it_should(ringlet_link: Link, node: int) -> None:
    ring = ringlet_link.axis(node, axis=0)
    ring.take()
    start = ring.position()
    try:
        ring.move(start + 2.0, speed=10.0)  # refused unless the travel is known
        assert abs(ring.position() - start - 2.0) < 0.2
    finally:
        ring.yield_()
