"""Two controls on one rig: ownership, yield, forced take, and a control that is lost and comes back."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from takes_helpers import ready

from ringlet.hwsim.control import SimControl, newest
from ringlet.hwsim.rigfile import load_rig
from ringlet.protocol.codes import names
from ringlet.tools.errors import DeviceRefused, UsageProblem
from ringlet.tools.link import Link
from ringlet.tools.rig.hand import Hand
from ringlet.tools.rig.handback import Phase, Told

STEP = 0.02


class Two:
    """Two operators on sim:trio, focus ring: each has a link, a hand and a knob of the pair's rig file."""

    def __init__(self) -> None:
        entry = load_rig("pair").controls[0].model_copy(update={"loss": 0.0})
        self.links = [Link.open("sim:trio", source=2)]
        self.links.append(self.links[0].beside(source=3))
        ready(self.links[0])
        self.hands = [Hand(link, 16, 0, entry.mapping, blend_s=0.3) for link in self.links]
        self.knobs = [SimControl(entry, start_deg=140.0, seed=n) for n in range(2)]
        for knob in self.knobs:
            knob.turn_to(160.0)  # past the index
        self.tags: list[int | None] = [None, None]
        self.told: list[Told | None] = [None, None]
        self.setpoints: list[float] = []
        self.times: list[float] = []

    def play(self, seconds: float, silent: tuple[int, ...] = (), asked: int | None = None) -> None:
        for number in range(round(seconds / STEP)):
            for one, (hand, knob) in enumerate(zip(self.hands, self.knobs, strict=True)):
                heard = newest(knob.step(self.links[0].clock.now()), self.tags[one])
                if heard is not None:
                    self.tags[one] = heard.tag
                if one not in silent:
                    self.told[one] = hand.tick(heard, asked=asked == one and number == 0)
            # A link that is not waited on sends no keep-alive: to the motor its control has gone.
            for one in (0, 1):
                if one not in silent:
                    self.links[one].wait(STEP / (2 - len(silent)))
            self.times.append(self.links[0].clock.now())
            self.setpoints.append(self.links[1 if 0 in silent else 0].axis(16, 0).setpoint())

    def phase(self, one: int) -> Phase | None:
        told = self.told[one]
        return None if told is None else told.phase


@pytest.fixture
def two() -> Iterator[Two]:
    rig = Two()
    yield rig
    for link in rig.links:
        link.close()


def test_one_control_drives_and_the_other_is_refused_until_it_yields(two: Two) -> None:
    two.hands[0].take()
    two.play(1.0, asked=0)
    assert two.phase(0) is Phase.COUPLED
    assert two.phase(1) is None
    with pytest.raises(DeviceRefused, match="another control owns"):
        two.hands[1].take()
    assert two.links[1].axis(16, 0).status().owner == 2
    two.hands[0].yield_()
    two.hands[1].take()
    two.play(1.0)
    assert two.links[0].axis(16, 0).status().owner == 3
    assert two.phase(0) is None


def test_forced_take_puts_the_other_out_and_nothing_jumps(two: Two) -> None:
    two.hands[0].take()
    two.play(1.0, asked=0)
    two.knobs[0].turn_to(220.0)
    two.play(0.2)  # under way
    two.hands[1].take(force=True)
    two.links[0].wait(0.01)  # the motor has told who was put out
    assert not two.hands[0].owns
    two.play(1.0)
    assert two.phase(0) is None
    assert two.phase(1) is Phase.AWAY
    for number in range(1, len(two.times)):
        way = abs(two.setpoints[number] - two.setpoints[number - 1])
        assert way <= 240.0 * (two.times[number] - two.times[number - 1] + 0.01)  # the velocity limit
    held = two.setpoints[-1]
    two.knobs[0].turn_to(10.0)  # whoever was put out turns without effect
    two.play(0.5)
    assert two.setpoints[-1] == pytest.approx(held, abs=0.01)


def test_a_silent_control_loses_the_axis_and_must_meet_it_again(two: Two) -> None:
    two.hands[0].take()
    two.play(1.0, asked=0)
    two.knobs[0].turn_to(180.0)
    two.play(1.5)
    before = two.setpoints[-1]
    two.play(1.5, silent=(0,))  # longer than the owner time-out of 1 s
    status = two.links[1].axis(16, 0).status()
    assert status.owner == 0
    assert names("state")[status.state] == "holding"
    two.links[0].wait(0.01)
    assert not two.hands[0].owns
    two.knobs[0].turn_to(100.0)
    two.hands[0].take()
    two.play(1.0)
    assert two.phase(0) is Phase.AWAY
    assert two.setpoints[-1] == pytest.approx(before, abs=0.1)
    two.knobs[0].turn_to(190.0)
    two.play(0.06)
    assert two.phase(0) is Phase.BLENDING


def test_a_lost_knob_holds_the_motor_until_it_has_passed_its_index_again(two: Two) -> None:
    two.hands[0].take()
    two.play(1.0, asked=0)
    two.knobs[0].switch(False)
    two.play(1.0)
    assert two.phase(0) is Phase.LOST
    assert two.hands[0].owns
    two.knobs[0].switch(True)
    two.play(1.0)
    assert two.phase(0) is Phase.LOST  # it has not passed its index
    two.knobs[0].turn_to(140.0)
    two.play(0.3)
    assert two.phase(0) is not Phase.LOST


def test_an_axis_without_a_travel_is_not_driven() -> None:
    with Link.open("sim:trio") as link, pytest.raises(UsageProblem, match=r"travel of axis 16\.0 is not known"):
        Hand(link, 16, 0, load_rig("pair").controls[0].mapping).take()
