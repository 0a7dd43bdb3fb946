"""What `ringlet page` refuses before it serves anything."""

from __future__ import annotations

import pytest

pytest.importorskip("nicegui", reason="the page needs the extra `page`")

from ringlet.tools.cli import main


@pytest.mark.parametrize(("more", "words"), [
    (["--pair", "16.0=16.0"], "names axis 16.0 twice"),
    (["--card", "16.0=focus-long", "--card", "16.0=focus-short"], "two cards for axis 16.0"),
    (["--host", "192.0.2.7", "--token"], "--host 192.0.2.7 is no address of this machine"),  # RFC 5737: nobody's
])  # fmt: skip
def test_what_cannot_be_is_refused_in_a_sentence(
    capsys: pytest.CaptureFixture[str], more: list[str], words: str
) -> None:
    assert main(["page", "--link", "sim:single", "--port", "0", *more]) == 2
    assert words in capsys.readouterr().err
