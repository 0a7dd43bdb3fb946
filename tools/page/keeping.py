"""The one folder in which the page keeps takes and bench runs. What it gives out is looked up in a listing of that
folder, never built from a name that somebody sent, so no other file can be reached."""

from __future__ import annotations

import os
import re
import shutil
from pathlib import Path
from typing import Any, Final, NamedTuple

from ringlet.tools.bench import run_folder
from ringlet.tools.errors import UsageProblem

TAKE_END: Final = ".mcap"
MOST: Final = 200
"""Newest entries that are listed."""
_NAME: Final = re.compile(r"[A-Za-z0-9][A-Za-z0-9 _-]{0,59}")
_RUN_FILE: Final = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]*\.(html|json|csv|jsonl)")
NO_FOLDER: Final = "there is no folder to keep it in; start the page with --folder DIR."


class Kept(NamedTuple):
    """A file or a run."""

    name: str
    bytes: int
    at: float
    """when it was last written, s since 1970"""


class Keeping:
    """A folder, which is made if it is not there. Raises UsageProblem when it cannot be."""

    def __init__(self, folder: Path) -> None:
        try:
            folder.mkdir(exist_ok=True)
            self.folder = folder.resolve(strict=True)
            if not os.access(self.folder, os.W_OK):
                raise PermissionError(13, "no permission to write there")
        except OSError as error:
            raise UsageProblem(f"--folder {folder} cannot be used ({error.strerror}); choose another.") from None

    def free(self) -> int:
        """Bytes that the disk still takes."""
        return shutil.disk_usage(self.folder).free

    def new_take(self, name: Any) -> Path:
        """Where a new take of this name goes. Raises UsageProblem for a name that could lead elsewhere, or is taken."""
        if not isinstance(name, str) or not _NAME.fullmatch(name.strip()):
            raise UsageProblem("a take is named with letters, digits, space, - and _, at most 60, as in scene 1.")
        path = self.folder / (name.strip() + TAKE_END)
        if path.exists() or path.is_symlink():
            raise UsageProblem(f"there is a take {name.strip()!r} already; give this one another name.")
        return path

    def new_run(self, stem: str) -> Path:
        """Where a new bench run goes."""
        path, number = self.folder / stem, 2
        while path.exists() or path.is_symlink():
            path, number = self.folder / f"{stem}-{number}", number + 1
        return path

    def takes(self) -> list[Kept]:
        """Takes in the folder, newest first; no links to elsewhere."""
        return [
            _kept(entry, entry.name)
            for entry in _newest(self.folder)
            if entry.name.endswith(TAKE_END) and entry.is_file(follow_symlinks=False)
        ]

    def runs(self) -> list[Kept]:
        """Bench runs in the folder that have their page, newest first."""
        found = []
        for entry in _newest(self.folder):
            if entry.is_dir(follow_symlinks=False):
                page = next((one for one in _files(Path(entry.path)) if one.name == run_folder.PAGE), None)
                if page is not None:
                    found.append(_kept(page, entry.name))
        return found

    def take(self, name: str) -> Path | None:
        """The file of a take that is listed."""
        return next((self.folder / one.name for one in self.takes() if one.name == name), None)

    def run_file(self, run: str, name: str) -> Path | None:
        """A file of a run that is listed: its page, its data, its records."""
        if run not in {one.name for one in self.runs()} or not _RUN_FILE.fullmatch(name):
            return None
        return next((Path(one.path) for one in _files(self.folder / run) if one.name == name), None)


def _kept(entry: os.DirEntry[str], name: str) -> Kept:
    about = entry.stat(follow_symlinks=False)
    return Kept(name, about.st_size, about.st_mtime)


def _files(folder: Path) -> list[os.DirEntry[str]]:
    with os.scandir(folder) as found:
        return [entry for entry in found if entry.is_file(follow_symlinks=False)]


def _newest(folder: Path) -> list[os.DirEntry[str]]:
    with os.scandir(folder) as found:
        entries = [(entry.stat(follow_symlinks=False).st_mtime, entry.name, entry) for entry in found]
    return [entry for _, _, entry in sorted(entries, key=lambda one: one[:2], reverse=True)[:MOST]]
