"""Stops of others: anyone on the bus may stop a motor, and whatever drives it must not start it again by itself."""

from __future__ import annotations

from typing import Self

from ringlet.protocol.codec import Packet
from ringlet.tools.axis_handle import AxisHandle
from ringlet.tools.errors import CheckFailed, StopHeard
from ringlet.tools.pending import reaches


class Heed:
    """Hears stops that others send for one axis, until its block ends; a check that fails by one ends as StopHeard."""

    def __init__(self, handle: AxisHandle) -> None:
        self._handle = handle
        self._by: int | None = None
        self._undo = handle.link.subscribe(self._hear, ("stop",))

    def _hear(self, heard: Packet, _: float) -> None:
        if reaches(heard.dst, heard.axis, (self._handle.node, self._handle.axis)):
            self._by = heard.src

    def look(self) -> None:
        """To be called before anything is started. Raises StopHeard."""
        if self._by is not None:
            where = f"axis {self._handle.axis} of node {self._handle.node}"
            raise StopHeard(f"control {self._by} sent a stop for {where}, so nothing more was started.")

    def __enter__(self) -> Self:
        return self

    def __exit__(self, _: object, error: BaseException | None, __: object) -> None:
        self._undo()
        if isinstance(error, CheckFailed):
            self.look()
