"""Instructions for pack and unpack of the emitted C, beside hand-written shifts without checks.

Source of the counts: callgrind (valgrind) on x86-64, the same build for both, at -Os and at -O2. The counts repeat
exactly, so there is no timing and no noise. Run it: `python tests/benchmarks/bench_c_codec.py`.
"""

from __future__ import annotations

import re
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "c"))
import c_build

PAIRS = [(job, kind) for kind in ("move", "status", "stop") for job in ("pack", "unpack")]


def count(folder: Path, level: str) -> dict[str, int]:
    """Instructions of all calls of each function, what it calls included."""
    sources = c_build.emit_into(folder)
    c_build.build(
        "gcc", "-std=c99", level, "-g", "-I.", c_build.HERE / "shifts.c", *sources, "-o", "shifts", cwd=folder
    )
    tool = ("valgrind", "--tool=callgrind", "--callgrind-out-file=out", "-q", "./shifts")
    done = c_build.run(*tool, cwd=folder)
    if done.returncode:
        raise SystemExit(f"hand-written and emitted code disagree, or valgrind failed: {done.stderr.decode()}")
    said = c_build.run("callgrind_annotate", "--inclusive=yes", "--threshold=100", "out", cwd=folder).stdout.decode()
    lines = re.findall(r"^\s*([\d,]+) \([^)]*\)\s+\S*?:(\w+) \[", said, re.MULTILINE)
    return {name: int(instructions.replace(",", "")) for instructions, name in lines}


def main() -> None:
    missing = c_build.have("gcc", "valgrind", "callgrind_annotate")
    if missing:
        raise SystemExit(missing)
    for level in ("-Os", "-O2"):
        with tempfile.TemporaryDirectory() as name:
            found = count(Path(name), level)
        calls = 1000
        print(f"gcc {level:10}{'hand':>8}{'emitted':>9}{'ratio':>7}   instructions a call, by callgrind")
        for job, kind in PAIRS:
            hand, ours = found[f"hand_{job}_{kind}"] / calls, found[f"ringlet_{job}_{kind}"] / calls
            print(f"{job + ' ' + kind:14}{hand:8.1f}{ours:9.1f}{ours / hand:7.2f}")


if __name__ == "__main__":
    main()
