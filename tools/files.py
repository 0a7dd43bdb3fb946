"""Writing files so that nobody ever finds half of one."""

from __future__ import annotations

import os
from pathlib import Path


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
