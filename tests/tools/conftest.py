"""Rigs served to the tests over loopback, and rigs built from TOML text."""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

import pytest

from ringlet.hwsim.rigfile import RigFile, load_rig
from ringlet.hwsim.simrig import SimRig
from ringlet.tools.serve import How, serve

if TYPE_CHECKING:
    from page_browser import Browser

    from ringlet.tools.page.bench_thread import Bench


class Served(NamedTuple):
    url: str
    rig: SimRig
    thread: threading.Thread


@contextmanager
def serving(rig: SimRig, how: How, **options: object) -> Iterator[Served]:
    """A rig served from a thread of this process."""
    links: queue.Queue[str] = queue.Queue()
    stop = threading.Event()
    thread = threading.Thread(target=serve, args=(rig, how, links.put, stop), kwargs=options, daemon=True)
    thread.start()
    try:
        yield Served(links.get(timeout=5), rig, thread)
    finally:
        stop.set()
        thread.join(timeout=5)
    assert not thread.is_alive()


@pytest.fixture
def served() -> Callable[..., AbstractContextManager[Served]]:
    return serving


@pytest.fixture(scope="module")
def page(bench: Bench) -> Iterator[str]:
    """Address of the bench page of a module's own `bench`; needs the extra `page`."""
    from page_browser import served as page_of

    with page_of(bench) as address:
        yield address


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """One Chromium for a module."""
    from page_browser import Browser

    one = Browser()
    yield one
    one.close()


@pytest.fixture
def rig_of(tmp_path: Path) -> Callable[..., RigFile]:
    """A rig of one-axis nodes, from keyword arguments for each node."""

    def build(*nodes: dict[str, object]) -> RigFile:
        text = 'name = "test"\n'
        for node in nodes:
            text += "[[nodes]]\n"
            for key, value in node.items():
                text += f"{key} = {str(value).lower() if isinstance(value, bool) else value}\n"
            text += '[[nodes.axes]]\nmotor = "small"\nlens = "iris"\n'
        path = tmp_path / "rig.toml"
        path.write_text(text)
        return load_rig(str(path))

    return build
