"""A program that drives a motor over a wire is killed: nothing of it is left to stop the motor, and it stops."""

from __future__ import annotations

import subprocess
import sys
import time
from collections.abc import Callable
from contextlib import AbstractContextManager

from conftest import Served

from ringlet.hwsim.rigfile import load_rig
from ringlet.hwsim.simrig import SimRig
from ringlet.protocol.states import State

DRIVES = """
import sys
from ringlet.tools.link import Link
link = Link.open(sys.argv[1])
iris = link.axis(16, 0)
iris.take()
iris.run(5.0)
print("turning", flush=True)
link.wait(60.0)
"""


def test_a_killed_process_leaves_the_motor_at_rest(served: Callable[..., AbstractContextManager[Served]]) -> None:
    rig = SimRig(load_rig("single"))
    axis = rig.nodes[0].axes[0]
    with served(rig, "serial") as at:
        with subprocess.Popen([sys.executable, "-c", DRIVES, at.url], stdout=subprocess.PIPE, text=True) as process:
            assert process.stdout is not None
            assert process.stdout.readline() == "turning\n"
            assert (axis.state, axis.owner) == (State.RUNNING, 1)
            process.kill()
        end = time.monotonic() + 10.0
        while axis.state is not State.HOLDING and time.monotonic() < end:
            time.sleep(0.02)
        assert axis.state is State.HOLDING
        assert axis.owner == 0
        assert axis.ramp.at_rest
