"""Controls and range sensors on the bus of a rig: heard by everyone else on each bus, and never in a node's way."""

from __future__ import annotations

from collections import Counter

import pytest

from ringlet.hwsim.bus import Bus
from ringlet.hwsim.can_bus import CanBus
from ringlet.hwsim.course import Course
from ringlet.hwsim.rigfile import RigFile, load_rig
from ringlet.hwsim.serial_line import SerialLine
from ringlet.hwsim.simrig import SimRig
from ringlet.hwsim.talkers import OneVoice
from ringlet.protocol import messages as m
from ringlet.protocol.codec import pack, packet, unpack
from ringlet.protocol.codes import TIMING
from ringlet.protocol.header import EVERYONE
from ringlet.tools.link import Link
from ringlet.tools.sim_bus import with_shared_line
from ringlet.tools.transports import SimTransport

BUSES = ("ideal", "can", "serial", "serial, one node")


def rig_on(which: str) -> SimRig:
    """Two boards with two controls and a range sensor, or one board with them."""
    pair = load_rig("pair")
    clear = [one.model_copy(update={"loss": 0.0, "gaps": []}) for one in pair.controls]
    rig = pair.model_copy(update={"controls": clear})
    if which == "serial, one node":
        rig = rig.model_copy(update={"nodes": rig.nodes[:1], "pairs": []})
    bus: Bus | None = CanBus(500_000) if which == "can" else SerialLine(115_200) if "serial" in which else None
    return SimRig(with_shared_line(rig) if which == "serial" else rig, bus=bus)


def link_to(rig: SimRig) -> Link:
    transport = SimTransport(rig)
    return Link.over(transport, transport.clock, notice=lambda text: None)


@pytest.mark.parametrize("which", BUSES)
def test_a_link_hears_controls_and_sensors_under_their_own_addresses(which: str) -> None:
    rig = rig_on(which)
    with link_to(rig) as link:
        heard: Counter[tuple[str, int]] = Counter()
        link.subscribe(lambda one, _: heard.update([(type(one.body).__name__, one.src)]), ("knob", "range"))
        link.wait(2.0)
        assert set(heard) == {("Knob", 2), ("Knob", 3), ("Range", 5)}
        assert all(97 <= count <= 102 for count in heard.values())
        assert not link.losses


@pytest.mark.parametrize("which", BUSES)
def test_requests_are_answered_at_once_though_others_speak(which: str) -> None:
    rig = rig_on(which)
    with link_to(rig) as link:
        for _ in range(300):
            link.axis(16, 0).status()
            link.wait(0.003)
        assert not link.losses
        if isinstance(rig.bus, SerialLine):
            assert rig.bus.garbled == 0
        # On a shared line nodes garble each other while they are looked for: that is how a search is.
        assert [one.address for one in link.discover()] == ([16] if "one" in which else [16, 17])


@pytest.mark.parametrize("which", BUSES)
def test_a_guide_comes_to_the_control_it_is_for_and_is_shown(which: str) -> None:
    rig = rig_on(which)
    with link_to(rig) as link:
        link.wait(0.1)
        link.send(m.Guide(0, 16, 0, -12_300, 0))
        link.wait(0.1)
        assert {name: one.display() for name, one in rig.controls.items()} == {
            "focus knob": "away, down 12.3 deg", "iris knob": "-"
        }  # fmt: skip
        link.send(m.Guide(0, 16, 0, 0, 2))
        link.wait(0.1)
        assert rig.controls["focus knob"].display() == "coupled"
        rig.controls["focus knob"].switch(False)
        assert rig.controls["focus knob"].display() == "-"


@pytest.mark.parametrize("which", BUSES)
def test_what_one_program_says_the_others_hear_once_and_itself_never(which: str) -> None:
    rig = rig_on(which)
    with link_to(rig) as one, one.beside(source=9) as two:
        heard: dict[int, list[int]] = {1: [], 9: []}
        for link in (one, two):
            link.subscribe(lambda got, _, me=link.source: heard[me].append(got.src), ("guide",))  # type: ignore[misc]
        one.send(m.Guide(0, 16, 0, 500, 0))
        one.wait(0.05)
        two.wait(0.05)
        two.send(m.Guide(0, 16, 1, 500, 0))
        two.wait(0.05)
        one.wait(0.05)
        assert heard == {1: [9], 9: [1]}


def test_a_rig_without_controls_and_sensors_hears_only_its_nodes() -> None:
    quiet = load_rig("pair").model_copy(update={"controls": [], "ranges": []})
    rig = SimRig(quiet)
    said = [unpack(*frame) for _ in range(300) for frame in rig.step()]
    assert [type(one.body) for one in said] == [m.Announce, m.Announce]


def test_the_same_seed_says_the_same_and_another_seed_something_else() -> None:
    def said(seed: int) -> list[tuple[int, bytes]]:
        rig = SimRig(load_rig("pair"), seed=seed)
        return [frame for _ in range(1000) for frame in rig.step()]

    assert said(4) == said(4)
    assert said(4) != said(5)


def test_the_hand_of_a_rig_file_turns_the_knob_and_the_air_swallows_what_it_says() -> None:
    pair = load_rig("pair")
    hand = Course(points=[[0.0, 140.0], [1.0, 200.0], [2.0, 200.0]])
    focus = pair.controls[0].model_copy(update={"loss": 0.0, "hand": hand, "gaps": [[1.2, 1.8]]})
    rig = SimRig(pair.model_copy(update={"controls": [focus], "ranges": []}))
    knobs: list[tuple[float, m.Knob]] = []
    for _ in range(2000):
        for frame in rig.step():
            body = unpack(*frame).body
            if isinstance(body, m.Knob):
                knobs.append((rig.now_us / 1e6, body))
    assert [knobs[0][1].known, knobs[-1][1].known] == [0, 1]  # it has passed its index at 150 deg
    assert knobs[-1][1].place == pytest.approx(65535 * 200 / 300, abs=20)
    assert not any(1.22 < at < 1.8 for at, _ in knobs)
    assert any(at > 1.9 for at, _ in knobs)


def ident_of(body: object, dst: int) -> int:
    return pack(packet(body, dst=dst, src=1))[0]


def test_one_voice_waits_for_answers_and_for_the_line() -> None:
    voice = OneVoice(0.001, shared=True)
    knob = pack(packet(m.Knob(1, 16, 0, 5, 1), dst=EVERYONE, src=2))
    voice.put([knob, knob])
    assert voice.next(0) == knob
    assert voice.next(500) is None  # the line is busy
    voice.spoken(ident_of(m.GetStatus(0), 16), 2_000)
    assert voice.next(4_000) is None  # an answer may come
    voice.answered(ident_of(m.Done(0, 0), 1), 5_000)
    assert voice.next(5_000) == knob
    voice.put([knob])
    voice.spoken(ident_of(m.Discover(0), EVERYONE), 10_000)
    voice.answered(ident_of(m.Done(0, 0), 1), 20_000)
    voice.put([knob])
    assert voice.next(200_000) == knob
    voice.spoken(ident_of(m.Discover(0), EVERYONE), 300_000)
    voice.put([knob])
    last = 301_000 + 1000 * (TIMING["announce_window"].ms + TIMING["reply"].ms) + 1_000
    assert voice.next(last - 1) is None  # a node may still announce itself
    assert voice.next(last) == knob
    alone = OneVoice(0.001, shared=False)  # a line of its own: answers go another way
    alone.spoken(ident_of(m.GetStatus(0), 16), 0)
    alone.put([knob])
    assert alone.next(1_000) == knob


def test_names_and_addresses_are_each_their_own() -> None:
    pair = load_rig("pair").model_dump()
    for changes, said in (({"source": 2}, "one source address"), ({"name": "iris knob"}, "one name")):
        sensor = pair["ranges"][0] | changes
        with pytest.raises(ValueError, match=said):
            RigFile.model_validate(pair | {"ranges": [sensor]})
