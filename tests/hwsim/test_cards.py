"""Motor cards and lens cards: the shipped ones load, and a wrong one is refused with file, key and remedy."""

from __future__ import annotations

import tomllib
from importlib import resources
from pathlib import Path

import pytest

from ringlet.hwsim.cardfile import (
    CardError,
    LensCard,
    MotorCard,
    load_lens,
    load_motor,
    shipped_lenses,
    shipped_motors,
    vary,
)


def _text(kind: str, name: str) -> str:
    return resources.files("ringlet.hwsim.cards").joinpath(f"{kind}-{name}.toml").read_text("utf-8")


def test_shipped_cards_load_and_say_that_they_are_invented() -> None:
    assert shipped_motors() == ["medium", "small", "strong"]
    assert {"focus-long", "focus-short", "iris", "zoom", "zoom-cold"} <= set(shipped_lenses())
    for name in shipped_motors():
        assert load_motor(name).name == name
        assert "common practice, no source" in _text("motor", name)
    for name in shipped_lenses():
        assert load_lens(name).name == name
        assert "common practice, no source" in _text("lens", name)


def test_motors_are_ordered_by_torque_and_lenses_cover_the_cases() -> None:
    torque = [
        m.torque_constant_mnm_per_a * m.peak_current_a * m.gearhead_ratio
        for m in (load_motor("small"), load_motor("medium"), load_motor("strong"))
    ]
    assert torque[0] < torque[1] < torque[2]
    assert load_lens("focus-long").travel_deg == 300.0
    assert load_lens("focus-short").stop_min_deg is None
    cold = load_lens("zoom-cold")
    assert cold.grease_temperature_c is not None
    assert cold.grease_temperature_c < 0.0
    assert all(load_lens(n).gear_module_mm == 0.8 for n in shipped_lenses())
    assert MotorCard.model_fields["gear_module_mm"].default == LensCard.model_fields["gear_module_mm"].default == 0.8


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (("resistance_ohm = 4.2", "resistance_ohms = 4.2"), ("resistance_ohms", "not a motor card key")),
        (("resistance_ohm = 4.2", "resistance_ohm = -1"), ("resistance_ohm", "-1")),
        (("resistance_ohm = 4.2", "resistance_ohm = nan"), ("resistance_ohm", "nan")),
        (("gearhead_max_torque_mnm = 900.0", "gearhead_max_torque_mnm = inf"), ("gearhead_max_torque_mnm", "inf")),
        (("resistance_ohm = 4.2", "resistance_ohm = 'much'"), ("resistance_ohm", "much")),
        (("resistance_ohm = 4.2", "resistance_ohm = '4.2'"), ("resistance_ohm", "4.2", "number")),
        (("resistance_ohm = 4.2", "resistance_ohm = true"), ("resistance_ohm", "True", "number")),
        (("resistance_ohm = 4.2", ""), ("resistance_ohm", "missing")),
        (("resistance_ohm = 4.2", "resistance_ohm ="), ("not valid TOML",)),
        (("rotor_breakaway_mnm = 1.0", "rotor_breakaway_mnm = 0.1"), ("rotor_breakaway_mnm", "rotor_coulomb_mnm")),
        (("winding_max_c = 125.0", "winding_max_c = 90.0"), ("winding_max_c", "derate_from_c")),
    ],
)
def test_a_wrong_motor_card_is_refused_in_one_sentence(
    tmp_path: Path, change: tuple[str, str], words: tuple[str, ...]
) -> None:
    text = _text("motor", "medium")
    assert change[0] in text
    card = tmp_path / "own.toml"
    card.write_text(text.replace(*change), encoding="utf-8")
    with pytest.raises(CardError) as caught:
        load_motor(str(card))
    said = str(caught.value)
    assert "own.toml" in said
    assert "\n" not in said
    for word in words:
        assert word in said


def test_stops_must_enclose_the_travel_and_come_in_pairs(tmp_path: Path) -> None:
    text = _text("lens", "iris")
    for old, new in (("stop_min_deg = -1.0", "stop_min_deg = 1.0"), ("stop_min_deg = -1.0", "")):
        card = tmp_path / "ring.toml"
        card.write_text(text.replace(old, new), encoding="utf-8")
        with pytest.raises(CardError, match="stop_min_deg and stop_max_deg must"):
            load_lens(str(card))


def test_unknown_names_and_unreadable_files(tmp_path: Path) -> None:
    with pytest.raises(CardError, match=r"No motor card is called 'huge'; use one of medium, small, strong"):
        load_motor("huge")
    with pytest.raises(CardError, match=r"nothing\.toml: the lens card cannot be read"):
        load_lens(str(tmp_path / "nothing.toml"))
    (tmp_path / "latin.toml").write_bytes(b"name = '\xff'")
    with pytest.raises(CardError, match="not UTF-8"):
        load_lens(str(tmp_path / "latin.toml"))


def test_a_copy_of_a_card_loads_by_path_and_can_be_varied(tmp_path: Path) -> None:
    card = tmp_path / "copy.toml"
    card.write_text(_text("lens", "zoom"), encoding="utf-8")
    assert load_lens(str(card)) == load_lens("zoom")
    assert tomllib.loads(card.read_text())["ring_teeth"] == 140
    assert vary(load_lens("zoom"), {"ring_teeth": 100}).ring_teeth == 100
    with pytest.raises(CardError, match="ring_teeth"):
        vary(load_lens("zoom"), {"ring_teeth": 3})
