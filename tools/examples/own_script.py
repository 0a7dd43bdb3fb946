"""Turn one ring to and fro, record it, and say how near it came to its place.

    python tools/examples/own_script.py                                  # a simulated rig
    python tools/examples/own_script.py 'serial:/dev/ttyUSB0?baud=115200'  # your motor

Gears pinch fingers, and a motor can break a lens that is stuck or has no end stops: on a real motor set its travel
first (`ringlet find-stops`, or `ringlet set-travel` for a ring without stops), and be able to cut the power.
"""

from __future__ import annotations

import sys

from ringlet.protocol.states import State
from ringlet.tools.errors import NoAnswer, RingletError
from ringlet.tools.link import Link


def main(url: str) -> None:
    with Link.open(url) as link:
        nodes = [found for found in link.discover() if not found.fresh]
        if not nodes:
            raise NoAnswer(f"no node with an address answers on {url}; try `ringlet discover --assign --link {url}`")
        ring = link.axis(nodes[0].address, axis=0)
        ring.take()
        try:
            if link.is_sim:
                ring.find_stops()  # nothing can break here
            low, high = ring.get("travel-min"), ring.get("travel-max")
            ring.set("velocity-limit", 90.0)  # deg/s; lost at power-off, as nothing saves it
            for share in (0.3, 0.7):
                target = round(low + share * (high - low), 3)
                ring.move(target, wait=False)
                moved = ring.record(until=lambda: ring.status().state == State.HOLDING, rate=100.0)
                off = ring.position() - target
                fastest = max(abs(moved.velocity_deg_s))
                print(f"to {target:.1f} deg: {len(moved.time_s)} samples, {fastest:.1f} deg/s, off {off:+.3f} deg")
        finally:
            ring.yield_()


if __name__ == "__main__":
    try:
        main(sys.argv[1] if len(sys.argv) > 1 else "sim:trio")
    except RingletError as error:
        sys.exit(f"{error}")
