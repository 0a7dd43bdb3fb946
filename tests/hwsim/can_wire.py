"""A CAN bus bit by bit, as plain as can be: the reference for the event-driven one. Error-active nodes only.

Each node drives one bit, the wire is dominant when any of them is, and each node then looks at it. Written from the
public "CAN Specification 2.0, Part B" (1991): bit, stuff, form, CRC and acknowledge errors, error flags, delimiters,
intermission.
"""

from __future__ import annotations

from ringlet.hwsim.can_bits import frame_bits, read_bits


class WireNode:
    """A controller that has at most one frame to send."""

    def __init__(self, frame: tuple[int, bytes] | None = None) -> None:
        self.frame = frame
        self.sent = False
        self.errors = 0
        self.got: list[tuple[int, bytes]] = []
        self.begin()

    def begin(self) -> None:
        """The bus is idle: a frame begins with the next bit."""
        self.view: list[int] = []
        self.flag = 0
        self.delimiter = -1
        self.wait_recessive = False
        self.intermission = -1
        self.row = frame_bits(*self.frame) if self.frame and not self.sent else None
        self.sending = self.row is not None

    def drive(self) -> int:
        if self.flag:
            return 0
        if self.delimiter >= 0 or self.wait_recessive or self.intermission >= 0:
            return 1
        if self.sending and self.row is not None:
            return self.row.bits[len(self.view)]
        seen = read_bits([*self.view, 0, *[1] * 12])  # would an acknowledge here complete a good frame?
        good = not seen.fault and seen.at == len(self.view) + 8
        return 0 if good else 1

    def look(self, bit: int, drove: int) -> None:
        """See what is on the wire."""
        if self.flag:
            self.flag -= 1
            self.wait_recessive = self.flag == 0
            return
        if self.wait_recessive:
            if bit == 1:
                self.wait_recessive, self.delimiter = False, 7
            return
        if self.delimiter > 0:
            self.delimiter -= 1
            if self.delimiter == 0:
                self.delimiter, self.intermission = -1, 3
            return
        if self.intermission > 0:
            self.intermission -= 1
            return
        place = len(self.view)
        self.view.append(bit)
        if self.sending and self.row is not None:
            self._look_as_sender(place, bit, drove)
        else:
            self._look_as_receiver(place, bit, drove)

    def _error(self) -> None:
        self.errors += 1
        self.flag = 6

    def _look_as_sender(self, place: int, bit: int, drove: int) -> None:
        row = self.row
        assert row is not None
        last = len(row.bits) - 1
        if place == last - 8:  # the acknowledge slot
            if bit == 1:
                self._error()
        elif bit != row.bits[place]:
            if place < row.arbitration and drove == 1 and place not in row.stuff:
                self.sending = False  # beaten; from here on a receiver
            else:
                self._error()
        elif place == last:
            self.sent, self.intermission = True, 3

    def _look_as_receiver(self, place: int, bit: int, drove: int) -> None:
        if drove == 0 and bit == 1:  # its own acknowledge did not come through
            self._error()
            return
        seen = read_bits([*self.view, *[1] * 200])
        if seen.at != place:
            return
        if seen.fault:
            self._error()
        else:
            self.got.append((seen.ident, seen.data))
            self.intermission = 3


def run(nodes: list[WireNode], flip: int = -1, most: int = 2000) -> list[int]:
    """Run until all frames are over, or `most` bits; `flip` is the bit that noise turns over.

    Returns the bits at which frames begin.
    """
    starts = [0]
    for now in range(most):
        drove = [node.drive() for node in nodes]
        bit = min(drove) ^ (now == flip)
        for node, own in zip(nodes, drove, strict=True):
            node.look(bit, own)
        if all(node.intermission == 0 for node in nodes):
            starts.append(now + 1)
            if all(node.frame is None or node.sent for node in nodes):
                return starts
            for node in nodes:
                node.begin()
    return starts
