"""Coverage-guided fuzzing of one Python target with atheris (https://github.com/google/atheris); started by run.py."""

from __future__ import annotations

import os
import sys
import time
from pathlib import Path

import atheris

UNTRACED = {"node": [f"ringlet.hwsim.{name}" for name in (
    "drive", "loops", "plant", "ramp", "ramp_fixed", "ramp_plan", "simrig", "watch",
)]}  # fmt: skip
"""Modules by target that run every millisecond whatever the input says: to trace their branches takes a third of the
time. TOML's own parser is not traced either: what stands behind it is ours."""

with atheris.instrument_imports(
    include=["ringlet", "mcap", "targets"], exclude=UNTRACED.get(sys.argv[1], []) if sys.argv[1:] else []
):
    sys.path.insert(0, str(Path(__file__).parent))
    import targets

    from ringlet.tools.takes import reader, recover  # noqa: F401  (the take target imports them late)

EVERY = 64
"""Executions between two notes of the count."""


class Counted:
    """A target, and how much it has been given; ends the process when that is enough."""

    def __init__(self, name: str) -> None:
        self.target = targets.TARGETS[name][0]
        self.executions = self.bytes = 0
        self.seconds = 0.0
        """of processor time in the target"""
        self.note = Path(os.environ["RINGLET_FUZZ_COUNT"])
        self.most = int(os.environ["RINGLET_FUZZ_BYTES"])

    def __call__(self, data: bytes) -> None:
        self.executions += 1
        self.bytes += len(data)
        begun = time.process_time()
        self.target(data)
        self.seconds += time.process_time() - begun
        enough = bool(self.most) and self.bytes >= self.most
        if enough or self.executions % EVERY == 0:
            self.note.write_text(f"{self.executions} {self.bytes} {self.seconds}")
        if enough:
            sys.stderr.flush()
            os._exit(0)


if __name__ == "__main__":
    counted = Counted(sys.argv.pop(1))
    atheris.Setup(sys.argv, counted)
    atheris.Fuzz()
