"""An axis as people write it."""

from __future__ import annotations

import pytest

from ringlet.tools.places import known_place, name_of, place_in


def test_a_name_goes_there_and_back() -> None:
    assert place_in("16.0") == (16, 0)
    assert name_of((125, 3)) == "125.3"
    assert known_place("17.1") == (17, 1)


@pytest.mark.parametrize("text", ["", "16", "16.", ".0", "16.0.1", "-1.0", "16.x", " 16.0", "1²0.0", "١٦.0"])
def test_another_text_names_no_axis(text: str) -> None:
    assert place_in(text) is None
    with pytest.raises(ValueError, match=r"no NODE\.AXIS"):
        known_place(text)
