"""The simulated control: index, resolution, handedness, soft ends, curve, and the air between it and the bus."""

from __future__ import annotations

import itertools
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from ringlet.hwsim.control import FULL, Arrival, ControlEntry, Mapping, SimControl, newest, ring_of
from ringlet.hwsim.rigfile import RigError, load_rig
from ringlet.protocol.messages import Knob

EVEN = Mapping(ring_low_deg=10.0, ring_high_deg=210.0)


def entry(**changes: object) -> ControlEntry:
    return ControlEntry.model_validate({"name": "knob", "source": 2, "node": 16, "mapping": EVEN} | changes)


@settings(max_examples=100, deadline=None)
@given(
    st.floats(0, 1), st.floats(0, 1), st.sampled_from(["right-handed", "left-handed"]), st.floats(0.2, 5),
    st.floats(0, 0.4),
)  # fmt: skip
def test_mapping_goes_one_way_and_reaches_both_ends(a: float, b: float, way: str, curve: float, soft: float) -> None:
    mapping = Mapping.model_validate(
        {"ring_low_deg": 10.0, "ring_high_deg": 210.0, "direction": way, "curve": curve, "soft_ends": soft}
    )
    low, high = sorted((a, b))
    sign = 1 if way == "right-handed" else -1
    assert sign * (mapping.ring_at(high) - mapping.ring_at(low)) >= -1e-9
    assert sorted((mapping.ring_at(0.0), mapping.ring_at(1.0))) == pytest.approx([10.0, 210.0])
    assert 10.0 - 1e-9 <= mapping.ring_at(a) <= 210.0 + 1e-9


def test_direction_curve_and_soft_ends_do_what_they_say() -> None:
    assert EVEN.ring_at(0.25) == pytest.approx(60.0)
    assert EVEN.model_copy(update={"direction": "left-handed"}).ring_at(0.25) == pytest.approx(160.0)
    assert EVEN.model_copy(update={"curve": 2.0}).ring_at(0.5) == pytest.approx(60.0)
    soft = EVEN.model_copy(update={"soft_ends": 0.2})
    assert soft.ring_at(0.5) == pytest.approx(110.0)
    assert (soft.ring_at(0.001) - 10.0) / (EVEN.ring_at(0.001) - 10.0) < 0.01  # begins with no speed at all
    assert (soft.ring_at(0.51) - soft.ring_at(0.5)) / 2.0 == pytest.approx(1.25)  # and makes it up in the middle
    assert soft.ring_at(1.5) == soft.ring_at(1.0)


def test_place_is_known_after_the_index_and_as_fine_as_the_encoder() -> None:
    knob = SimControl(entry(counts_per_turn=360, index_deg=100.0))
    knob.turn_to(60.4)
    assert not knob.known
    assert knob.place == pytest.approx(60 / 300)
    assert ring_of(knob.step(0.0)[0].body, EVEN) is None
    knob.turn_to(150.0)
    assert knob.known
    body = knob.step(0.02)[0].body
    assert (body.place, body.known, body.target) == (round(FULL / 2), 1, 16)
    assert ring_of(body, EVEN) == pytest.approx(110.0, abs=0.01)
    knob.switch(False)
    assert knob.step(1.0) == []
    knob.switch(True)
    assert not knob.known
    knob.turn_to(400.0)  # its own end stop
    assert knob.place == 1.0
    assert not knob.known


def test_the_air_loses_and_delays_by_its_seed() -> None:
    def run(seed: int) -> tuple[list[Arrival], SimControl]:
        knob = SimControl(entry(loss=0.3, delay_s=0.01, jitter_s=0.05, rate_hz=100.0), start_deg=150.0, seed=seed)
        return [one for ms in range(10_000) for one in knob.step(ms / 1000)], knob

    heard, knob = run(4)
    assert heard == run(4)[0]
    assert heard != run(5)[0]
    assert knob.sent == 1000
    assert 0.25 < knob.lost / knob.sent < 0.35
    assert any(a.body.tag != (b.body.tag - 1 & 0xFF) for a, b in itertools.pairwise(heard))


def test_overtaken_messages_are_not_newer() -> None:
    def one(tag: int) -> Arrival:
        return Arrival(0.0, Knob(tag, 16, 0, tag, 1))

    assert newest([one(7), one(5)], None) == one(7).body
    assert newest([one(5)], 6) is None
    assert newest([one(2)], 254) == one(2).body
    assert newest([], 3) is None


def test_controls_and_pairs_in_the_rig_file(tmp_path: Path) -> None:
    pair = load_rig("pair")
    assert [(one.name, one.source) for one in pair.controls] == [("focus knob", 2), ("iris knob", 3)]
    assert pair.nodes[1].axes[0].lens == "focus-long-right"
    text = (Path(__file__).parents[2] / "hwsim/rigs/pair.toml").read_text("utf-8")
    for old, new, said in (
        ("source = 3", "source = 2", "have one source address"),
        ("node = 16\naxis = 1", "node = 40\naxis = 1", "axis 40.1: not here"),
        ("ring_low_deg = 2.0", "ring_low_deg = 299.0", "ring_low_deg must be below"),
        ('right = "17.0"', 'right = "17.1"', "are no pair"),
        ('right = "17.0"', 'right = "9.0"', "names axis 9.0"),
        ("loss = 0.02", "loss = 2.0", "loss"),
    ):
        path = tmp_path / "wrong.toml"
        assert old in text
        path.write_text(text.replace(old, new), "utf-8")
        with pytest.raises(RigError, match=said):
            load_rig(str(path))
    with pytest.raises(ValidationError, match="past the end"):
        entry(index_deg=301.0)
