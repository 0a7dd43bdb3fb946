"""A simulated rig's bus that loses what a test wants lost, and a Ctrl-C at the moment that it wants."""

from __future__ import annotations

from collections.abc import Callable

from ringlet.hwsim.simrig import SimRig
from ringlet.protocol.codec import Packet, unpack
from ringlet.tools.transports import SimTransport


class Bad(SimTransport):
    """Loses what the two functions say; at the receive that `countdown` names somebody presses Ctrl-C."""

    def __init__(self, rig: SimRig) -> None:
        super().__init__(rig)
        self.sent: list[Packet] = []
        self.countdown = 0
        self.heal()

    def heal(self) -> None:
        self.lose_sent: Callable[[Packet], bool] = lambda packet: False
        self.lose_heard: Callable[[Packet], bool] = lambda packet: False

    def send(self, ident: int, data: bytes) -> None:
        self.sent.append(unpack(ident, data))
        if not self.lose_sent(self.sent[-1]):
            super().send(ident, data)

    def receive(self, timeout: float) -> list[Packet]:
        if self.countdown:
            self.countdown -= 1
            if not self.countdown:
                raise KeyboardInterrupt
        return [one for one in super().receive(timeout) if not self.lose_heard(one)]
