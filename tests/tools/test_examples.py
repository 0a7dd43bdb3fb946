"""The examples run as their first lines say, against simulated rigs."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

from ringlet.hwsim.rigfile import load_rig
from ringlet.hwsim.simrig import SimRig
from ringlet.protocol.header import FRESH
from ringlet.tools.link import Link

EXAMPLES = Path(__file__).parents[2] / "tools" / "examples"


def run(*words: str) -> str:
    done = subprocess.run([sys.executable, *words], capture_output=True, text=True, timeout=120, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


def test_own_script() -> None:
    lines = run(str(EXAMPLES / "own_script.py")).splitlines()
    assert len(lines) == 2
    for line in lines:
        assert abs(float(line.split("off ")[1].split()[0])) < 0.2, line


def test_a_bench_without_a_node_is_told_in_words(served: Callable[..., Any]) -> None:
    rig = load_rig("single")
    rig = rig.model_copy(update={"nodes": [one.model_copy(update={"address": FRESH}) for one in rig.nodes]})
    with served(SimRig(rig), "tcp", speed=15.0) as there:
        script = [sys.executable, str(EXAMPLES / "own_script.py"), there.url]
        done = subprocess.run(script, capture_output=True, text=True, timeout=120, check=False)
        bench = [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", str(EXAMPLES / "test_own_bench.py"),
                 "-k", "nobody_owns", "--ringlet-link", there.url]  # fmt: skip
        tested = subprocess.run(bench, capture_output=True, text=True, timeout=120, check=False)
    assert done.returncode == 1
    assert "no node with an address answers" in done.stderr
    assert "Traceback" not in done.stderr
    assert "no node with an address answers" in tested.stdout


def test_own_bench_on_a_served_rig(served: Callable[..., Any]) -> None:
    with served(SimRig(load_rig("single")), "tcp", speed=15.0) as there:
        with Link.open(there.url) as link:
            ring = link.axis(16, 0)
            ring.take()
            ring.find_stops()
            ring.move(40.0)
            ring.yield_()
        said = run("-m", "pytest", "-q", "-rA", "-p", "no:cacheprovider", str(EXAMPLES / "test_own_bench.py"),
                   "--ringlet-link", there.url)  # fmt: skip
    assert "3 passed" in said
