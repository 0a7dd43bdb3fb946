"""Every fenced block of the documents runs as printed, in a folder of its own, and leaves the files that it promises.

Blocks under `<!-- needs hardware: ... -->` are not run: their lines are only understood. The two lines that install are
not run either, as .ci/run does that: here they are compared with what it takes out of README.
"""

from __future__ import annotations

import re
import shlex
import shutil
import signal
import socket
import subprocess
import sys
import time
from contextlib import suppress
from pathlib import Path
from urllib.request import urlopen

import pytest
from help_tools import understand
from readme_blocks import ROOT, Block, blocks, environment, promised, shell

DOCUMENTS = ("README.md", "DEVELOPERS.md", "protocol/REFERENCE.md", *sorted(
    str(path.relative_to(ROOT)) for path in (ROOT / "tools" / "examples").rglob("*.md")
))  # fmt: skip
BLOCKS = [block for name in DOCUMENTS for block in blocks(ROOT / name, name)]
SHELL = [block for block in BLOCKS if block.language == "sh" and not block.installs and not block.hardware]
PYTHON = [block for block in BLOCKS if block.language == "python"]
SET_UP = "DEVELOPERS.md"
OUTSIDE = ("gcc", "make", "clang")
"""Programs that are not ours; a block that needs one is skipped where it is missing."""


def by_name(found: list[Block]) -> list[object]:
    return [pytest.param(block, id=block.name) for block in found]


def serves(line: str) -> bool:
    """Whether the command goes on until Ctrl-C."""
    words = shlex.split(line, comments=True)
    return words[:2] in (["ringlet", "sim"], ["ringlet", "page"]) and "--seconds" not in words


def answers(address: str, most_s: float = 30.0) -> None:
    """Wait until a page is there."""
    end = time.monotonic() + most_s
    while time.monotonic() < end:
        with suppress(OSError), urlopen(address, timeout=5):
            return
        time.sleep(0.1)
    raise AssertionError(f"nothing answers at {address}")


def run_and_interrupt(line: str, folder: Path) -> None:
    """Start it, wait for its first line, press Ctrl-C: it must end as done."""
    if line.startswith("ringlet page"):
        with socket.socket() as probe:
            probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            try:
                probe.bind(("127.0.0.1", 8765))
            except OSError:
                pytest.skip("port 8765, which README names, is in use on this machine")
    words = shlex.split(line, comments=True)
    there = shutil.which(words[0], path=environment()["PATH"])
    assert there is not None
    process = subprocess.Popen(
        [there, *words[1:]], cwd=folder, env=environment(), stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    try:
        assert process.stdout is not None
        first = process.stdout.readline()
        address = re.search(r"http://127\.0\.0\.1:\d+/", first)
        if address:  # it says where it is just before it listens there
            answers(address[0])
    finally:
        process.send_signal(signal.SIGINT)
        err = process.communicate(timeout=60)[1]
    assert first.strip(), err
    assert process.returncode == 0, (line, process.returncode, err)


def run_block(block: Block, folder: Path) -> None:
    """Each line as printed. A promised file may also stand in a folder that the block wrote."""
    for program in OUTSIDE:
        if program in {line.split()[0] for line in block.lines} and shutil.which(program) is None:
            pytest.skip(f"{block.name} needs {program}")
    for line in block.lines:
        if serves(line):
            run_and_interrupt(line, folder)
            continue
        done = shell(line, folder)
        assert done.returncode == 0, f"{block.name}: {line}\n{done.stdout}\n{done.stderr}"
        assert "Traceback" not in done.stderr, f"{block.name}: {line}\n{done.stderr}"
        assert "\x1b" not in done.stdout + done.stderr, f"{block.name}: {line} sends escapes into a pipe"
        for name in promised(line):
            found = [folder / name] if (folder / name).exists() else list(folder.rglob(Path(name).name))
            assert found, f"{block.name}: {line} wrote no {name}"
            assert found[0].is_dir() or found[0].stat().st_size > 0, f"{block.name}: {name} is empty"


def test_the_documents_have_their_blocks() -> None:
    """So that a change of the pattern cannot make the tests below empty."""
    assert len([block for block in SHELL if block.name.startswith("README.md")]) >= 5
    assert len([block for block in PYTHON if block.name.startswith("README.md")]) >= 2
    for block in BLOCKS:
        if block.language not in ("sh", "python"):
            commands = [line for line in block.lines if re.match(r"(\$ )?(ringlet|python\S*|pip|pytest) ", line)]
            assert not commands, f"{block.name}: mark the block as sh, or its commands are not tried: {commands}"


@pytest.mark.parametrize("block", by_name([block for block in SHELL if not block.name.startswith(SET_UP)]))
def test_a_shell_block_runs_as_printed(block: Block, tmp_path: Path) -> None:
    """Beside the files of an example that has a folder of its own."""
    beside = (ROOT / block.name.rpartition(":")[0]).parent
    if beside not in (ROOT, ROOT / "protocol", ROOT / "tools" / "examples"):
        shutil.copytree(beside, tmp_path, dirs_exist_ok=True)
    run_block(block, tmp_path)


@pytest.mark.parametrize("block", by_name([block for block in PYTHON if "@kind" not in block.text]))
def test_a_python_block_runs_as_printed(block: Block, tmp_path: Path) -> None:
    is_test = "def test_" in block.text
    script = tmp_path / ("test_block.py" if is_test else "block.py")
    script.write_text(block.text, encoding="utf-8")
    words = ["-m", "pytest", "-q", "-p", "no:cacheprovider", str(script)] if is_test else [str(script)]
    done = subprocess.run(
        [sys.executable, *words], cwd=tmp_path, env=environment(), capture_output=True, text=True, timeout=120,
        check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr
    if is_test:
        assert f"{block.text.count('def test_')} passed" in done.stdout


def test_the_message_of_developers_md_is_a_message(tmp_path: Path) -> None:
    """The class as printed, put where the text says; then the commands that the text names know it."""
    (block,) = [block for block in PYTHON if "@kind" in block.text]
    assert block.heading == "Add a message"
    (tmp_path / "block.py").write_text(block.text, encoding="utf-8")
    code = (
        "import ringlet.protocol.messages as messages\n"
        "exec(compile(open('block.py').read(), 'block.py', 'exec'), vars(messages))\n"
        "from ringlet.tools.cli import main\n"
        "raise SystemExit(main(['encode', 'blink', 'times=3', '--can']) or main(['schema', 'blink'])\n"
        "                 or main(['emit', 'reference', '--out', 'reference']))\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=tmp_path, env=environment(), capture_output=True, text=True, timeout=60,
        check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr
    assert "blink" in (tmp_path / "reference" / "REFERENCE.md").read_text(encoding="utf-8")


def test_blocks_of_emitted_readmes_run_as_printed(tmp_path: Path) -> None:
    done = shell("ringlet emit all --out build", tmp_path)
    assert done.returncode == 0, done.stderr
    found = [(path, block) for path in sorted(tmp_path.rglob("*.md")) for block in blocks(path)]
    assert any("make" in block.lines[0] for _, block in found)
    for path, block in found:
        if block.language == "sh" and not block.hardware:
            run_block(block, path.parent)


@pytest.mark.parametrize("block", [pytest.param(block, id=f"{block.name} needs {block.hardware}") for block in BLOCKS
                                   if block.hardware])  # fmt: skip
def test_a_block_for_hardware_is_not_run_but_understood(block: Block) -> None:
    for line in block.lines:
        words = shlex.split(line, comments=True)
        if words and words[0] == "ringlet":
            understand(words[1:])


def test_the_lines_that_install_are_those_of_ci_and_are_not_run_here() -> None:
    """The first is the second without the tests; .ci/run takes the second out of README with this very command."""
    marked = {block.mark: block.text.strip() for block in BLOCKS}
    first, second = marked["first command"], marked["second command"]
    script = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    (taken,) = [line for line in script.splitlines() if "README.md |" in line]
    done = shell(f'{taken}\nprintf %s "$command"', ROOT)
    assert done.stdout == second
    make = "python3 -m venv .venv && .venv/bin/pip install -q "
    assert first.startswith(make)
    assert second.startswith(make)
    assert first.endswith("&& .venv/bin/ringlet demo")
    set_up = next(block for block in BLOCKS if block.name.startswith(SET_UP) and block.language == "sh")
    assert "\n".join(set_up.lines).startswith(make)
    assert second.rpartition("&& ")[2] in set_up.lines
