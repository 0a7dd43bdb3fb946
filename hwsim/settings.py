"""What an axis or node remembers: parameters, marks, texts; two checked copies that survive a power cut."""

from __future__ import annotations

import json
import zlib
from pathlib import Path
from typing import Any, Protocol

from ringlet.protocol.params import BY_NAME, PARAMETERS


class Settings:
    """Values in force of one axis or of the node, in counts. `factory` holds the maker's own defaults by name."""

    def __init__(self, scope: str, factory: dict[str, int]) -> None:
        self.factory = {row.name: factory.get(row.name, row.default) for row in PARAMETERS if row.scope == scope}
        self.values = dict(self.factory)

    def __getitem__(self, name: str) -> int:
        return self.values[name]

    def stored_part(self) -> dict[str, int]:
        """What a save keeps."""
        return {name: value for name, value in self.values.items() if BY_NAME[name].stored}

    def load(self, stored: dict[str, Any]) -> None:
        """Take stored values; names and values that the table does not allow are left at the factory's."""
        self.values = dict(self.factory)
        for name, value in stored.items():
            row = BY_NAME.get(name)
            if name in self.values and row is not None and isinstance(value, int) and row.lo <= value <= row.hi:
                self.values[name] = value


class Pages(Protocol):
    """Two pages of memory that keep their bytes without power."""

    def read(self, page: int) -> bytes: ...
    def write(self, page: int, data: bytes) -> None: ...


class MemoryPages:
    """Pages in memory. `cut_after` breaks the next write off after so many bytes, as a power cut would."""

    def __init__(self) -> None:
        self.pages = [b"", b""]
        self.cut_after: int | None = None

    def read(self, page: int) -> bytes:
        return self.pages[page]

    def write(self, page: int, data: bytes) -> None:
        if self.cut_after is not None:
            # The page was erased, and only the first bytes arrived; old bytes behind them are gone.
            self.pages[page], self.cut_after = data[: self.cut_after], None
            raise PowerCut
        self.pages[page] = data


class FilePages:
    """Pages as two files in a folder, made when first written."""

    def __init__(self, folder: Path, name: str) -> None:
        self.paths = [folder / f"{name}.{letter}" for letter in "ab"]

    def read(self, page: int) -> bytes:
        path = self.paths[page]
        return path.read_bytes() if path.exists() else b""

    def write(self, page: int, data: bytes) -> None:
        self.paths[page].parent.mkdir(parents=True, exist_ok=True)
        self.paths[page].write_bytes(data)


class PowerCut(Exception):
    """The supply went while a page was being written."""


class Store:
    """Settings in two copies, written in turn; each has a serial number, a length and a CRC-32 (zlib).

    A cut at any byte leaves the other copy whole, so what is read back is the old or the new, never a mix.
    """

    HEAD = 12

    def __init__(self, pages: Pages) -> None:
        self.pages = pages

    def _page(self, page: int) -> tuple[int, bytes] | None:
        data = self.pages.read(page)
        if len(data) < self.HEAD:
            return None
        serial, length, check = (int.from_bytes(data[start : start + 4], "little") for start in (0, 4, 8))
        body = data[self.HEAD : self.HEAD + length]
        if len(body) != length or zlib.crc32(data[:8] + body) != check:
            return None
        return serial, body

    def load(self) -> tuple[dict[str, Any] | None, bool]:
        """(newest good copy or None, whether copies are there of which none is good)."""
        found = [copy for copy in (self._page(0), self._page(1)) if copy]
        if found:
            return json.loads(max(found)[1]), False
        return None, any(self.pages.read(page) for page in (0, 1))

    def save(self, content: dict[str, Any]) -> None:
        """Write the older page. Raises OSError when the folder cannot be written."""
        copies = [self._page(0), self._page(1)]
        serials = [copy[0] if copy else -1 for copy in copies]
        page = 0 if serials[0] < serials[1] else 1
        if serials == [-1, -1]:
            page = 0
        body = json.dumps(content, sort_keys=True).encode()
        head = (max(serials) + 1).to_bytes(4, "little") + len(body).to_bytes(4, "little")
        self.pages.write(page, head + zlib.crc32(head + body).to_bytes(4, "little") + body)
