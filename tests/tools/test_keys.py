"""Keys from a terminal come without Enter, and the terminal is put back."""

from __future__ import annotations

import io
import os
import sys

import pytest

from ringlet.tools.keys import keys

termios = pytest.importorskip("termios")


def test_keys_come_at_once_and_the_terminal_is_put_back(monkeypatch: pytest.MonkeyPatch) -> None:
    ours, theirs = os.openpty()
    with os.fdopen(theirs, "r+b", buffering=0) as raw, io.TextIOWrapper(io.FileIO(os.dup(theirs), "r+")) as screen:
        monkeypatch.setattr(sys, "stdin", screen)
        before = termios.tcgetattr(raw.fileno())
        with keys() as pressed:
            assert termios.tcgetattr(raw.fileno()) != before
            assert pressed() == ""
            os.write(ours, b"hb")
            assert pressed() == "hb"
            assert pressed() == ""
        assert termios.tcgetattr(raw.fileno()) == before
        with pytest.raises(RuntimeError), keys():
            raise RuntimeError
        assert termios.tcgetattr(raw.fileno()) == before
    os.close(ours)


def test_without_a_terminal_there_are_none(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "stdin", io.StringIO("hb"))
    with keys() as pressed:
        assert pressed() == ""
    with keys(wanted=False) as pressed:
        assert pressed() == ""
