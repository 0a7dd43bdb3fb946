"""Fuzz one target, or all in turn, for so many seconds or bytes, and print what was done.

    python tests/fuzz/run.py stream --seconds 10
    python tests/fuzz/run.py all --bytes 100000000
    python tests/fuzz/run.py c-node --seconds 60

Targets in Python (atheris): stream, can, node, rig, card, take. In C (libFuzzer, clang): c-stream, c-node.
A finding is kept as a file in the folder --keep, with the command that repeats it.
"""

from __future__ import annotations

import argparse
import importlib.util
import os
import re
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import NamedTuple

HERE = Path(__file__).parent
sys.path[:0] = [str(HERE), str(HERE.parent / "c")]

import targets  # noqa: E402

C_TARGETS = {"c-stream": "stream", "c-node": "node"}
"""C target: whose seeds it takes."""
NAMES = (*targets.TARGETS, *C_TARGETS)
BUILD = ("-std=c99", "-O1", "-g", "-fsanitize=fuzzer,address,undefined", "-fno-sanitize-recover=all")
HOUR = 3600


class Figures(NamedTuple):
    """What a run did."""

    target: str
    executions: int
    bytes: int
    coverage: int
    """places of the code reached, as libFuzzer counts them"""
    corpus: int
    """inputs kept because they reach something new"""
    seconds: float
    busy_s: float
    """processor time: in a Python target, or of the whole C program"""
    finding: str
    """empty, or the tail of what the fuzzer said"""

    def line(self) -> str:
        end = "no finding" if not self.finding else "FINDING"
        rate = self.executions / self.busy_s if self.busy_s else 0.0
        return (
            f"{self.target:9} {self.executions:>10,} executions {self.bytes:>13,} bytes  coverage {self.coverage:>6,}  "
            f"inputs kept {self.corpus:>5,}  {self.seconds:5.0f} s  {rate:>7,.0f}/s of processor time  {end}"
        )


def missing(name: str) -> str:
    """Why this target cannot be run here, or nothing."""
    if name in C_TARGETS:
        if shutil.which("clang") is None:
            return "not installed here: clang"
        probe = "int LLVMFuzzerTestOneInput(const char *d, unsigned long n) { (void)d; (void)n; return 0; }\n"
        with tempfile.TemporaryDirectory() as folder:
            command = ["clang", "-fsanitize=fuzzer", "-x", "c", "-", "-o", f"{folder}/probe"]
            done = subprocess.run(command, input=probe, text=True, capture_output=True, check=False)
        return "" if done.returncode == 0 else "clang here has no libFuzzer"
    if importlib.util.find_spec("atheris") is None:
        return "not installed here: atheris (pip install -e '.[dev]')"
    if name == "take" and importlib.util.find_spec("mcap") is None:
        return "not installed here: mcap (pip install -e '.[take]')"
    return ""


def build(name: str, folder: Path) -> Path:
    """The C target with the emitted core, and sanitizers."""
    from fw_build import emit_firmware_into

    sources = emit_firmware_into(folder)
    target = HERE / f"fuzz_{name.replace('-', '_')}.c"
    program = folder / name
    command = ["clang", *BUILD, "-DRINGLET_AXES=2u", f"-I{folder}", str(target)]
    command += [*(str(folder / one) for one in sources), "-o", str(program)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode:
        raise SystemExit(f"the target does not build:\n{done.stderr}")
    return program


def fuzz(name: str, *, seconds: int = 0, most: int = 0, seed: int = 1, keep: Path | None = None) -> Figures:
    """One bounded run: it ends after so many seconds, or so many bytes of input, or at a finding."""
    _, seeds, longest = targets.TARGETS[C_TARGETS.get(name, name)]
    with tempfile.TemporaryDirectory(prefix="ringlet-fuzz-", dir=targets.MEMORY) as scratch:
        folder = Path(scratch)
        corpus = folder / "corpus"
        corpus.mkdir()
        for number, data in enumerate(seeds()):
            (corpus / f"made-{number:03}").write_bytes(data)
        for kept in sorted((HERE / "seeds" / name).glob("*")):
            (corpus / kept.name).write_bytes(kept.read_bytes())
        python = [sys.executable, str(HERE / "fuzz_python.py"), name]
        program = [str(build(name, folder))] if name in C_TARGETS else python
        command = [
            *program, str(corpus), f"-max_len={longest}", f"-seed={seed}", "-print_final_stats=1", "-timeout=20",
            f"-max_total_time={seconds or HOUR}", f"-artifact_prefix={folder}/finding-", "-verbosity=1",
        ]  # fmt: skip
        count = folder / "count"
        space = {
            **os.environ, "RINGLET_FUZZ_COUNT": str(count), "RINGLET_FUZZ_BYTES": str(most),
            "RINGLET_FUZZ_FOLDER": scratch,  # it ends without clearing up
        }  # fmt: skip
        begin = time.monotonic()
        done = subprocess.run(command, env=space, capture_output=True, cwd=folder, check=False)
        spent = time.monotonic() - begin
        said = (done.stdout + done.stderr).decode("utf-8", "replace")
        executions, given, busy = count.read_text().split() if count.exists() else ("0", "0", "0")
        finding = ""
        if done.returncode:
            finding = said[-3000:]
            for file in folder.glob("finding-*"):
                if keep is not None:
                    keep.mkdir(parents=True, exist_ok=True)
                    shutil.copy(file, keep / f"{name}-{file.name}")
                    finding += f"\nkept as {keep / f'{name}-{file.name}'}"
        covered = [int(one) for one in re.findall(r"cov: (\d+)", said)]
        kept_now = [int(one) for one in re.findall(r"corp: (\d+)/", said)]
        return Figures(
            name, int(executions), int(given), max(covered, default=0), kept_now[-1] if kept_now else 0, spent,
            float(busy), finding,
        )  # fmt: skip


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("target", choices=[*NAMES, "all"])
    parser.add_argument("--seconds", type=int, default=0, help="for each target; 10 when neither is given")
    parser.add_argument("--bytes", type=int, default=0, help="of input, for each target")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--keep", type=Path, default=Path("fuzz-findings"), help="folder for findings")
    asked = parser.parse_args()
    seconds = asked.seconds or (0 if asked.bytes else 10)
    failed = False
    for name in NAMES if asked.target == "all" else (asked.target,):
        why = missing(name)
        if why:
            print(f"{name:9} left out: {why}")
            continue
        figures = fuzz(name, seconds=seconds, most=asked.bytes, seed=asked.seed, keep=asked.keep)
        print(figures.line(), flush=True)
        if figures.finding:
            failed = True
            print(figures.finding)
    return int(failed)


if __name__ == "__main__":
    sys.exit(main())
