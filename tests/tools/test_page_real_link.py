"""The page on a link that is not simulated in its process: a rig served on a pseudo-terminal, on the wall clock."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest

pytest.importorskip("nicegui", reason="the page needs the extra `page`")
pytest.importorskip("mcap", reason="takes need the extra `take`")

from conftest import serving
from page_browser import CHROMIUM, Browser, Tab
from page_helpers import at_rest, own, shot

from ringlet.hwsim.rigfile import load_rig
from ringlet.hwsim.simrig import SimRig
from ringlet.tools.errors import NoAnswer
from ringlet.tools.page.bench_thread import Bench, wait_for
from ringlet.tools.takes.reader import open_take

pytestmark = [
    pytest.mark.skipif(CHROMIUM is None, reason="Chromium is not installed (Debian's package: chromium)"),
    pytest.mark.skipif(sys.platform == "win32", reason="there are no pseudo-terminals here"),
]
FOCUS = (16, 0)
CARD = '[data-axis="16.0"]'


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("kept")


@pytest.fixture(scope="module")
def bench(folder: Path) -> Iterator[Bench]:
    with serving(SimRig(load_rig("trio")), "serial") as there, ExitStack() as stack:
        for tries in range(5):  # a machine that is starting a browser may keep the rig from answering in time
            try:
                one = stack.enter_context(Bench(there.url, folder=folder))
                break
            except NoAnswer:
                if tries == 4:
                    raise
        yield one


def opened(browser: Browser, page: str) -> Tab:
    one = browser.open(page, 1280, 1400)
    assert one.until("document.querySelector('#link')?.textContent.startsWith('✓ serial:')", 60)
    return one


def jogging(bench: Bench) -> bool:
    return shot(bench, FOCUS).state == "running" and abs(shot(bench, FOCUS).velocity) > 3


def hold_jog(tab: Tab, bench: Bench, way: int) -> None:
    own(bench, FOCUS)
    tab.mouse("mousePressed", *tab.middle(f'{CARD} [data-jog="{way}"]'))
    assert wait_for(lambda: jogging(bench), 10)
    assert not wait_for(lambda: shot(bench, FOCUS).state != "running", 0.6)


def test_the_page_shows_and_drives_a_served_rig(browser: Browser, page: str, bench: Bench, folder: Path) -> None:
    tab = opened(browser, page)
    assert [one.key for one in bench.snapshot.axes] == ["16.0", "16.1", "16.2"]
    bench.start_take("real").result(10)
    hold_jog(tab, bench, 1)
    tab.mouse("mouseReleased", *tab.middle(f'{CARD} [data-jog="1"]'))
    at_rest(bench, FOCUS)
    assert shot(bench, FOCUS).position > 3
    bench.on_axis(FOCUS, lambda handle: handle.run(-6.0)).result(5)
    assert wait_for(lambda: jogging(bench), 10)
    tab.key("Escape", 27)
    at_rest(bench, FOCUS)
    bench.end_take().result(10)
    held = open_take(folder / "real.mcap")
    assert held.samples["16.0"] > 20
    assert held.about["link"].startswith("serial:")


def test_closing_the_tab_ends_the_jog_on_a_real_link(browser: Browser, page: str, bench: Bench) -> None:
    tab = opened(browser, page)
    hold_jog(tab, bench, -1)
    browser.root.ask("Target.closeTarget", targetId=tab.target)
    assert wait_for(lambda: shot(bench, FOCUS).state == "holding", 10)


def test_a_stop_ends_a_measurement_on_a_real_link(bench: Bench) -> None:
    own(bench, FOCUS)
    bench.start_measuring(FOCUS, "ramp", True).result(10)
    assert wait_for(lambda: shot(bench, FOCUS).state == "finding" and abs(shot(bench, FOCUS).velocity) > 3, 20)
    bench.stop_all().result(10)
    assert wait_for(lambda: not bench.snapshot.measure.running, 30)
    assert "Stopped before" in bench.snapshot.measure.problem
    at_rest(bench, FOCUS)


def test_a_rig_that_falls_silent_is_shown_as_silent(browser: Browser, page: str, bench: Bench) -> None:
    tab = opened(browser, page)
    bench.submit(lambda link: setattr(link.transport, "receive", lambda timeout: _nothing(timeout))).result(10)
    assert tab.until(f"document.querySelector('{CARD} [data-show=state]').textContent === 'silent'", 20)
    bench.submit(lambda link: delattr(link.transport, "receive"))
    assert tab.until(f"document.querySelector('{CARD} [data-show=state]').textContent !== 'silent'", 30)


def _nothing(timeout: float) -> list[object]:
    import time

    time.sleep(min(timeout, 0.01))
    return []
