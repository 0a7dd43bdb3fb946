"""`ringlet emit` as a person uses it: files, JSON, and what it refuses."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from ringlet.protocol import emit
from ringlet.tools import cli_emit
from ringlet.tools.errors import UsageProblem

RUN = CliRunner()


def _problem(*words: str) -> str:
    result = RUN.invoke(cli_emit.app, list(words))
    assert isinstance(result.exception, UsageProblem), result.output
    assert result.exception.exit_code == 2
    return str(result.exception)


@pytest.mark.parametrize("target", ["dbc", "dissector", "reference"])
def test_a_target_is_written_as_its_texts_say(tmp_path: Path, target: str) -> None:
    result = RUN.invoke(cli_emit.app, [target, "--out", str(tmp_path / "new" / "folder"), "--json"])
    assert result.exit_code == 0, result.output
    texts = emit.texts(target)
    files = json.loads(result.output)["files"]
    assert [Path(one["path"]).name for one in files] == list(texts)
    for one, text in zip(files, texts.values(), strict=True):
        assert Path(one["path"]).read_bytes() == text.encode()
        assert one["bytes"] == len(text.encode())


def test_all_has_a_folder_for_each_target(tmp_path: Path) -> None:
    assert RUN.invoke(cli_emit.app, ["all", "--out", str(tmp_path)]).exit_code == 0
    assert {path.name for path in tmp_path.iterdir()} == set(emit.targets())
    assert (tmp_path / "dbc" / "ringlet.dbc").is_file()


def test_a_file_changed_by_hand_is_kept(tmp_path: Path) -> None:
    words = ["dbc", "--out", str(tmp_path)]
    assert RUN.invoke(cli_emit.app, words).exit_code == 0
    path = tmp_path / "ringlet.dbc"
    path.write_text(path.read_text() + "\n", encoding="utf-8")
    changed = path.read_bytes()
    assert "changed by hand" in _problem(*words)
    assert path.read_bytes() == changed
    assert RUN.invoke(cli_emit.app, [*words, "--force"]).exit_code == 0
    assert path.read_bytes() != changed


def test_bad_input_is_one_sentence(tmp_path: Path) -> None:
    assert "dissector" in _problem("nonsense", "--out", str(tmp_path))
    (tmp_path / "file").write_text("in the way")
    assert "choose another folder" in _problem("dbc", "--out", str(tmp_path / "file" / "below"))
