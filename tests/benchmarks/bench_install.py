"""Megabytes of an installation: the base, each extra on top of it, and the largest packages of the base.

    python tests/benchmarks/bench_install.py [--extra bench --extra take]

Makes one virtual environment a line and fills it with pip; needs the network or pip's cache, and half a minute a line.
Sizes are what the files take on the disk (blocks), without the environment's own pip, and with compiled bytecode.
"""

from __future__ import annotations

import argparse
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from ringlet.tools.extras import EXTRAS

ROOT = Path(__file__).parents[2]
NEEDED = ("protocol", "hwsim", "tools", "pyproject.toml", "README.md", "LICENSE")


def disk_mb(path: Path) -> float:
    """Blocks that a folder takes, in MB of 10^6 bytes."""
    return sum(one.lstat().st_blocks * 512 for one in [path, *path.rglob("*")]) / 1e6


def installed(what: str, folder: Path) -> Path:
    """Install into a new environment; gives its site-packages."""
    subprocess.run([sys.executable, "-m", "venv", "--without-pip", str(folder)], check=True)
    python = folder / "bin" / "python"
    words = [sys.executable, "-m", "pip", "--python", str(python), "install", "-q", what]
    done = subprocess.run(words, capture_output=True, text=True, check=False)
    if done.returncode:
        raise SystemExit(done.stderr)
    return next((folder / "lib").glob("python*/site-packages"))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--extra", action="append", choices=sorted(EXTRAS), default=[])
    extras = parser.parse_args().extra
    with tempfile.TemporaryDirectory() as place:
        copy = Path(place) / "source"
        copy.mkdir()
        for name in NEEDED:
            if (ROOT / name).is_dir():
                shutil.copytree(ROOT / name, copy / name, ignore=shutil.ignore_patterns("__pycache__"))
            else:
                shutil.copy(ROOT / name, copy / name)
        base = installed(str(copy), Path(place) / "base")
        whole = disk_mb(base)
        print(f"base: {whole:.0f} MB")
        for size, name in sorted(((disk_mb(one), one.name) for one in base.iterdir()), reverse=True)[:10]:
            print(f"  {size:5.1f} MB  {name}")
        for extra in extras:
            there = disk_mb(installed(f"{copy}[{extra}]", Path(place) / extra))
            print(f"with extra {extra}: {there:.0f} MB, {there - whole:+.0f} MB")


if __name__ == "__main__":
    main()
