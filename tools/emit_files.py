"""Write emitted files to a folder, never over a file that somebody has changed by hand."""

from __future__ import annotations

from pathlib import Path

from ringlet.protocol.emit import is_untouched, targets, texts
from ringlet.protocol.wire import KINDS, Registry
from ringlet.tools.files import write_whole


class EmitError(Exception):
    """Why nothing was emitted, in one sentence that says what to do."""


def emit(name: str, out: Path, force: bool = False, kinds: Registry = KINDS) -> list[Path]:
    """Write one target's files below `out`, or with `all` every target's, each in a folder of its name.

    Returns the paths in order. A file that is there and that no version of Ringlet emitted as it stands is
    overwritten only with `force`; everything is checked before the first file is written. Raises EmitError.
    """
    known = targets()
    if name == "all":
        files = {out / each / path: text for each in known for path, text in texts(each, kinds).items()}
    elif name in known:
        files = {out / path: text for path, text in texts(name, kinds).items()}
    else:
        raise EmitError(f"There is no target {name!r}; choose one of: {', '.join(known)}, all.")
    try:
        wanted = {path: text for path, text in files.items() if _differs(path, text, force)}
        for path, text in wanted.items():
            path.parent.mkdir(parents=True, exist_ok=True)
            write_whole(path, text.encode())
    except OSError as error:
        raise EmitError(f"Cannot write to {error.filename or out}: {error.strerror}; choose another folder.") from None
    return list(files)


def _differs(path: Path, text: str, force: bool) -> bool:
    """Whether the file must be written. Raises EmitError for one that was changed by hand."""
    try:
        present = path.read_bytes()
    except FileNotFoundError:
        return True
    if present == text.encode():
        return False
    if not force and not is_untouched(present.decode(errors="replace")):
        raise EmitError(f"{path} was changed by hand or is not ours; move it away, or overwrite it with --force.")
    return True
