"""Writing files so that nobody ever finds half of one."""

from __future__ import annotations

import os
from pathlib import Path

from ringlet.tools.errors import UsageProblem


def check_target(path: Path, verb: str = "written") -> None:
    """Refuse a file that cannot be written before the work is done, not after it. Raises UsageProblem."""
    if path.is_dir():
        why = "it is a folder itself"
    elif not path.parent.is_dir():
        why = f"there is no folder {path.parent}"
    elif not os.access(path if path.exists() else path.parent, os.W_OK):
        why = "that is not permitted"
    else:
        return
    raise UsageProblem(f"{path} cannot be {verb}, for {why}; give another name.")


def write_whole(path: Path, content: bytes) -> None:
    """Write a file so that it appears whole or not at all, whatever happens meanwhile. Raises OSError.

    A process that is killed in the middle leaves the old file, and its own part beside it under `.part`.
    """
    part = path.with_name(path.name + ".part")
    try:
        with part.open("wb") as stream:
            stream.write(content)
            stream.flush()
            os.fsync(stream.fileno())
        part.replace(path)
    finally:
        part.unlink(missing_ok=True)
