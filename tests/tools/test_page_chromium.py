"""The page in a real browser: Chromium, driven over its DevTools protocol, against a simulated rig."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

pytest.importorskip("nicegui", reason="the page needs the extra `page`")

from page_browser import CHROMIUM, Browser, Tab

from ringlet.tools.page.bench_thread import Bench, wait_for
from ringlet.tools.page.snapshot import AxisShot

pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="Chromium is not installed (Debian's package: chromium)")
FOCUS = '[data-axis="16.0"]'


@pytest.fixture(scope="module")
def bench() -> Iterator[Bench]:
    with Bench("sim:trio") as one:
        yield one


@pytest.fixture(scope="module")
def one_tab(browser: Browser, page: str) -> Tab:
    return opened(browser, page)


@pytest.fixture
def tab(one_tab: Tab, bench: Bench) -> Iterator[Tab]:
    """A page that shows the rig; focus is owned and holds."""
    bench.on_axis((16, 0), lambda handle: (handle.take(), handle.hold())).result(5)
    assert wait_for(lambda: focus(bench).state == "holding" and focus(bench).owner == 1, 10)
    yield one_tab
    bench.stop_all().result(5)
    assert wait_for(lambda: focus(bench).state == "holding", 5)


def opened(browser: Browser, page: str) -> Tab:
    one = browser.open(page)
    assert one.until("document.querySelector('#link')?.textContent.startsWith('✓')", 30)
    return one


def focus(bench: Bench) -> AxisShot:
    return bench.snapshot.axes[0]


def hold_jog(tab: Tab, bench: Bench) -> None:
    """Press the jog button and keep it down for longer than the dead-man time."""
    tab.mouse("mousePressed", *tab.middle(f'{FOCUS} [data-jog="1"]'))
    assert wait_for(lambda: focus(bench).state == "running" and focus(bench).velocity > 3, 5)
    assert not wait_for(lambda: focus(bench).state != "running", 0.6)


def test_take_enable_and_yield_by_their_buttons(one_tab: Tab, bench: Bench) -> None:
    for action in ("take", "hold"):
        one_tab.click(f'{FOCUS} [data-do="{action}"]')
    assert wait_for(lambda: focus(bench).state == "holding" and focus(bench).owner == 1, 5)
    assert one_tab.until(f"document.querySelector('{FOCUS} .owner').textContent.includes('owned by this page')", 3)
    one_tab.click(f'{FOCUS} [data-do="yield"]')
    assert wait_for(lambda: focus(bench).owner == 0, 5)


def test_a_click_on_stop_ends_a_jog(tab: Tab, bench: Bench) -> None:
    hold_jog(tab, bench)
    tab.js("document.querySelector('#stop').dispatchEvent(new PointerEvent('pointerdown', {bubbles: true}))")
    assert wait_for(lambda: focus(bench).state == "holding", 5)


@pytest.mark.parametrize(("key", "code"), [("Escape", 27), (" ", 32)])
def test_a_key_stops_what_moves(tab: Tab, bench: Bench, key: str, code: int) -> None:
    bench.on_axis((16, 0), lambda handle: handle.run(-5.0)).result(5)
    assert wait_for(lambda: focus(bench).state == "running", 5)
    tab.key(key, code)
    assert wait_for(lambda: focus(bench).state == "holding", 5)


def test_stop_is_in_reach_while_a_question_is_open(tab: Tab, bench: Bench) -> None:
    tab.click(f'{FOCUS} [data-ask="find"]')
    assert tab.until("document.querySelector('.q-dialog .ask-title')?.textContent.includes('16.0')", 3)
    go = "[...document.querySelectorAll('.q-dialog button')].find(b => b.textContent.includes('Find the stops'))"
    assert tab.js(f"{go}.disabled")  # nothing moves before it is confirmed
    tab.js("document.querySelector('.q-dialog .q-checkbox').click()")
    assert tab.until(f"!{go}.disabled", 3)
    tab.js(f"{go}.click()")
    assert wait_for(lambda: focus(bench).state == "finding", 5)
    assert tab.until("!document.querySelector('.q-dialog')", 3)
    tab.js(f"document.querySelector('{FOCUS} [data-ask=limits]').click()")
    assert tab.until("document.querySelector('.q-dialog svg.preview')", 3)
    tab.click("#stop")
    assert wait_for(lambda: focus(bench).state == "holding", 5)
    tab.js("[...document.querySelectorAll('.q-dialog button')].find(b => b.textContent.includes('Cancel')).click()")
    assert tab.until("!document.querySelector('.q-dialog')", 3)


def test_letting_go_of_the_button_ends_the_jog(tab: Tab, bench: Bench) -> None:
    hold_jog(tab, bench)
    tab.mouse("mouseReleased", *tab.middle(f'{FOCUS} [data-jog="1"]'))
    assert wait_for(lambda: focus(bench).state == "holding", 5)


def test_an_arrow_key_jogs_while_it_is_down(tab: Tab, bench: Bench) -> None:
    tab.js(f"document.querySelector('{FOCUS}').focus()")
    tab.key("ArrowRight", 39)
    assert wait_for(lambda: focus(bench).state == "running", 5)
    tab.key("ArrowRight", 39, "keyUp")
    assert wait_for(lambda: focus(bench).state == "holding", 5)


def test_killing_the_browser_ends_the_jog(page: str, bench: Bench) -> None:
    other = Browser()
    try:
        one = opened(other, page)
        bench.on_axis((16, 0), lambda handle: (handle.take(), handle.hold())).result(5)
        hold_jog(one, bench)
    finally:
        other.close()
    assert wait_for(lambda: focus(bench).state == "holding", 5)


@pytest.mark.parametrize("width", [360, 1280, 1920])
def test_nothing_is_wider_than_the_screen_and_every_control_has_a_name(tab: Tab, width: int) -> None:
    tab.size(width, 900)
    assert tab.until(f"innerWidth === {width}")
    assert tab.js("document.documentElement.scrollWidth <= innerWidth")
    nameless = tab.js(
        "[...document.querySelectorAll('button, input, select, canvas, meter, [role=img]')].filter(n => "
        "!n.getAttribute('aria-label') && !n.textContent.trim() && !n.closest('label')).map(n => n.outerHTML)"
    )
    assert nameless == []
    box = tab.js("(() => { const b = document.querySelector('#stop').getBoundingClientRect();"
                 "return [b.left >= 0, b.right <= innerWidth, b.top >= 0, b.bottom <= innerHeight]; })()")  # fmt: skip
    assert box == [True] * 4


def test_a_page_that_freezes_loses_its_jog(tab: Tab, bench: Bench) -> None:
    """The socket stays open and no heartbeat comes: only the dead-man time ends this one."""
    hold_jog(tab, bench)
    tab.wire.send("Runtime.evaluate", expression="{ const end = Date.now() + 1500; while (Date.now() < end); }")
    assert wait_for(lambda: focus(bench).state == "holding", 1.4)
