"""Stops of others: anyone on the bus may stop a motor, and whatever drives it must not start it again by itself."""

from __future__ import annotations

from typing import Self

from ringlet.protocol.codec import Packet
from ringlet.protocol.header import ALL_AXES, EVERYONE
from ringlet.tools.axis_handle import AxisHandle
from ringlet.tools.errors import CheckFailed, StopHeard


class Heed:
    """Hears stops that others send for one axis, until its block ends; a check that fails by one ends as StopHeard."""

    def __init__(self, handle: AxisHandle) -> None:
        self._handle = handle
        self._by: int | None = None
        self._undo = handle.link.subscribe(self._hear, ("stop",))

    def _hear(self, heard: Packet, _: float) -> None:
        if heard.dst in (self._handle.node, EVERYONE) and heard.axis in (self._handle.axis, ALL_AXES):
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
