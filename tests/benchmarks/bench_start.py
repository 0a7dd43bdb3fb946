"""How long `ringlet --help` takes to start, beside a bare `python` and one that only loads the parser it uses.

    python tests/benchmarks/bench_start.py [--runs 20]

Prints the best time on the wall and on the processor (zero on Windows, which does not count it), and ratios; a busy
machine makes the wall times longer.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import time

CASES = {
    "python -c pass": [sys.executable, "-c", "pass"],
    "python -c 'import typer'": [sys.executable, "-c", "import typer"],
    "ringlet --version": [sys.executable, "-m", "ringlet.tools.cli", "--version"],
    "ringlet --help": [sys.executable, "-m", "ringlet.tools.cli", "--help"],
    "ringlet move --help": [sys.executable, "-m", "ringlet.tools.cli", "move", "--help"],
    "ringlet status --link sim:single": [sys.executable, "-m", "ringlet.tools.cli", "status", "--link", "sim:single"],
}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--runs", type=int, default=20)
    runs = parser.parse_args().runs
    took: dict[str, list[tuple[float, float]]] = {name: [] for name in CASES}
    for _ in range(runs + 1):  # in turn, so that a change of the machine's load meets all alike; the first warms up
        for name, words in CASES.items():
            begin, used = time.perf_counter(), os.times()
            subprocess.run(words, stdout=subprocess.DEVNULL, check=True)
            now = os.times()
            busy = now.children_user + now.children_system - used.children_user - used.children_system
            took[name].append((time.perf_counter() - begin, busy))
    best = {name: [min(one) for one in zip(*times[1:], strict=True)] for name, times in took.items()}
    parser_wall = best["python -c 'import typer'"][0]
    for name, (wall, busy) in best.items():
        print(f"{name:34} {wall:.3f} s, of it processor {busy:.2f} s; {wall / parser_wall:.2f} x `import typer`")


if __name__ == "__main__":
    main()
