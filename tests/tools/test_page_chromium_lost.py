"""The page in a real browser when something is lost: what it says, what it refuses, and that stop lies open."""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path

import pytest

pytest.importorskip("nicegui", reason="the page needs the extra `page`")
pytest.importorskip("mcap", reason="takes need the extra `take`")

from page_browser import CHROMIUM, Browser, Tab
from page_helpers import Wall, at_rest, find, own, shot

from ringlet.protocol.codes import FAULTS, Fault
from ringlet.tools.errors import LinkProblem
from ringlet.tools.page.actions import LATE, too_late
from ringlet.tools.page.bench_thread import Bench, wait_for

pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="Chromium is not installed (Debian's package: chromium)")
FOCUS = (16, 0)
CARD = '[data-axis="16.0"]'
WALL = Wall()
NOTES = "for (const one of document.querySelectorAll('.nicegui-error-popup')) "
CONTRAST = r"""(() => {
  const rgb = (text) => text.match(/[\d.]+/g).map(Number);
  const light = (c) => c.slice(0, 3).map((v) => v / 255)
    .map((v) => v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4)
    .reduce((sum, v, i) => sum + v * [0.2126, 0.7152, 0.0722][i], 0);
  const under = (node) => {
    for (let n = node; n; n = n.parentElement) {
      const c = rgb(getComputedStyle(n).backgroundColor);
      if (c.length < 4 || c[3] === 1) return c;
    }
    return [255, 255, 255];
  };
  const ratio = (node, part) => {
    const [x, y] = [light(rgb(getComputedStyle(node, part).color)), light(under(node))];
    return (Math.max(x, y) + 0.05) / (Math.min(x, y) + 0.05);
  };
  const found = [];
  for (const node of document.querySelectorAll('#top *, #stop, .caution, #work *, #axes *, footer *')) {
    if (!node.offsetParent && node.id !== 'stop' || node.disabled) continue;
    const texts = [...node.childNodes].filter((n) => n.nodeType === 3 && n.textContent.trim());
    if (texts.length) found.push([node.outerHTML.slice(0, 60), ratio(node)]);
    if (node.placeholder) found.push([node.placeholder, ratio(node, '::placeholder')]);
  }
  return {most: found.length, weak: found.filter(([, one]) => one < 4.5)};
})()"""
"""Relative luminance and contrast ratio as WCAG 2.2 defines them."""


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bench]:
    with Bench("sim:single", folder=tmp_path_factory.mktemp("kept"), wall=WALL) as one:
        with WALL.hurried():
            find(one, FOCUS)
        yield one


@pytest.fixture(scope="module")
def one_tab(browser: Browser, page: str) -> Tab:
    one = browser.open(page, 1280, 1400)
    assert one.until("document.querySelector('#link')?.textContent.startsWith('✓') && window.socket?.connected", 60)
    return one


@pytest.fixture
def tab(one_tab: Tab, bench: Bench) -> Iterator[Tab]:
    own(bench, FOCUS)
    bench.on_axis(FOCUS, lambda handle: handle.move(150.0, wait=False)).result(5)
    assert wait_for(lambda: abs(shot(bench, FOCUS).position - 150) < 1, 40)
    at_rest(bench, FOCUS)
    yield one_tab
    one_tab.size(1280, 1400)
    one_tab.js("for (const one of document.querySelectorAll('.q-notification .q-btn')) one.click()")
    bench.stop_all().result(5)
    at_rest(bench, FOCUS)


def moved(bench: Bench, seconds: float = 0.4) -> bool:
    return wait_for(lambda: abs(shot(bench, FOCUS).position - 150) > 3, seconds)


def said(tab: Tab) -> str:
    return tab.text("#said")


@pytest.mark.parametrize("width", [360, 1280])
def test_no_note_of_a_lost_connection_lies_on_stop_or_on_what_is_said_of_it(tab: Tab, width: int) -> None:
    """The library shows its own, in the lower left corner and above all else."""
    tab.size(width, 800)
    assert tab.js("document.querySelectorAll('.nicegui-error-popup').length") > 0
    tab.js(f"{NOTES}one.setAttribute('aria-hidden', 'false')")
    tab.key("Escape", 27)
    assert tab.until("!document.querySelector('#said').hidden", 5)
    covered = tab.js(
        "['#stop', '#said'].filter(id => { const b = document.querySelector(id).getBoundingClientRect();"
        "return [...document.querySelectorAll('.nicegui-error-popup')].map(n => n.getBoundingClientRect()).some("
        "n => n.width && n.left < b.right && n.right > b.left && n.top < b.bottom && n.bottom > b.top); })"
    )
    tab.js(f"{NOTES}one.setAttribute('aria-hidden', 'true')")
    assert covered == []


def confirmed(tab: Tab) -> None:
    """The question about end stops, open and agreed to."""
    tab.js(f"document.querySelector('{CARD} [data-ask=find]').click()")
    go = "[...document.querySelectorAll('.q-dialog button')].find(b => b.textContent.includes('Find the stops'))"
    assert tab.until(go, 5)
    tab.js("[...document.querySelectorAll('.q-dialog .q-checkbox')].find(b => b.offsetParent).click()")
    assert tab.until(f"!{go}.disabled", 5)


def test_a_refusal_stands_above_stop_on_a_narrow_screen(tab: Tab, bench: Bench) -> None:
    tab.size(360, 800)
    bench.on_axis(FOCUS, lambda handle: handle.yield_()).result(5)
    confirmed(tab)
    tab.dialog("Find the stops")
    assert tab.until("document.querySelector('.q-notification')?.textContent.includes('take the axis first')", 5)
    time.sleep(0.5)  # it has come to rest
    low = tab.js(
        "Math.max(...[...document.querySelectorAll('.q-notification')].map(n => n.getBoundingClientRect().bottom))"
    )
    assert 0 < low <= tab.js("document.querySelector('#stop').getBoundingClientRect().top")


def test_what_hung_on_its_way_is_not_done_later(tab: Tab, bench: Bench) -> None:
    assert too_late(time.monotonic() - LATE + 0.5) == ""
    assert "5 s late" in too_late(time.monotonic() - 5)
    assert too_late(None) == too_late(True) == ""
    ask = (  # as the page asks: `age` seconds after its last picture
        "new Promise(done => { const web = new WebSocket(`ws://${location.host}/bench`); let asked = false;"
        "web.onmessage = event => { const heard = JSON.parse(event.data);"
        " if (heard.said || heard.done) { web.close(); done(heard.said || heard.done); }"
        " else if (!asked) { asked = true; web.send(JSON.stringify({...what, seen: heard.shot.sent - age})); } }; })"
    )

    def answer(what: str, age: int) -> str:
        return str(tab.js(f"(() => {{ const what = {what}, age = {age}; return {ask}; }})()"))

    for what in ("{do: 'move', axis: '16.0', deg: 20}", "{do: 'press', axis: '16.0', hold: 'x', deg_s: 9}"):
        assert "late, so nothing was done" in answer(what, 4)
    assert not moved(bench)
    bench.on_axis(FOCUS, lambda handle: handle.run(-9.0)).result(5)
    assert answer("{do: 'stop'}", 60) == "stop"  # never too late
    assert wait_for(lambda: shot(bench, FOCUS).state == "holding", 5)
    fresh = "{do: 'move', axis: '16.0', deg: 20}"
    assert any(answer(fresh, 0) == "move" for _ in range(5))  # a busy machine may itself be late
    assert wait_for(lambda: abs(shot(bench, FOCUS).position - 20) < 1, 40)


def test_a_confirmation_that_hung_on_its_way_is_not_obeyed_later(tab: Tab, bench: Bench) -> None:
    confirmed(tab)
    tab.js("{ const seen = benchSeen; window.benchSeen = () => { window.benchSeen = seen; return seen() - 4; }; }")
    tab.dialog("Find the stops")
    late = "[...document.querySelectorAll('.q-notification')].some(n => n.textContent.includes('s late, so nothing'))"
    assert tab.until(late, 5)
    assert shot(bench, FOCUS).state == "holding"


def test_an_arrow_that_means_something_to_the_browser_does_not_jog(tab: Tab, bench: Bench) -> None:
    tab.js(f"document.querySelector('{CARD}').focus()")
    for modifier in (1, 2, 4):  # Alt, Ctrl, Meta
        for kind in ("rawKeyDown", "keyUp"):
            tab.wire.ask(
                "Input.dispatchKeyEvent", type=kind, key="ArrowUp" if modifier == 1 else "ArrowLeft", modifiers=modifier
            )
    tab.js(  # Alt and left would leave the page
        f"document.querySelector('{CARD}').dispatchEvent(new KeyboardEvent('keydown', {{key: 'ArrowLeft', altKey: true,"
        "bubbles: true}))"
    )
    assert not wait_for(lambda: shot(bench, FOCUS).state == "running", 0.4)


def test_a_space_in_a_field_for_numbers_stops(tab: Tab, bench: Bench) -> None:
    tab.js(f"document.querySelector('{CARD} [data-set=goal]').focus()")
    bench.on_axis(FOCUS, lambda handle: handle.run(-5.0)).result(5)
    assert wait_for(lambda: shot(bench, FOCUS).state == "running", 5)
    tab.key(" ", 32)
    assert wait_for(lambda: shot(bench, FOCUS).state == "holding", 5)


def test_a_stop_that_nobody_can_have_heard_says_so(tab: Tab, bench: Bench) -> None:
    def nothing(timeout: float) -> list[object]:
        time.sleep(min(timeout, 0.01))
        link.transport.rig.now_us += 10_000  # type: ignore[attr-defined]
        return []

    link = bench.submit(lambda one: one).result(5)
    bench.submit(lambda one: setattr(one.transport, "receive", nothing)).result(5)
    try:
        assert tab.until(f"document.querySelector('{CARD} [data-show=state]').textContent === 'silent'", 20)
        assert "what stands here is old" in tab.text(f"{CARD} [data-show=owner]")
        tab.key("Escape", 27)
        assert tab.until("document.querySelector('#said').textContent.includes('nothing is heard from 16.0')", 10)
        assert "CUT THE POWER" in said(tab)
    finally:
        bench.submit(lambda one: delattr(one.transport, "receive")).result(10)
    assert tab.until(f"document.querySelector('{CARD} [data-show=state]').textContent !== 'silent'", 20)


def test_a_stop_that_the_link_does_not_take_says_so_at_once(tab: Tab, bench: Bench, page: str) -> None:
    def fails(*to: object) -> None:
        raise LinkProblem("the port takes no more bytes; check cable and flow control.")

    bench.submit(lambda link: setattr(link, "stop", fails)).result(5)
    try:
        tab.key("Escape", 27)
        assert tab.until("document.querySelector('#said').textContent.startsWith('STOP DID NOT GO OUT: cut the')", 15)
        assert "takes no more bytes" in said(tab)
        assert tab.js("fetch('/stop', {method: 'POST'}).then(one => one.status)") == 503
    finally:
        bench.submit(lambda link: delattr(link, "stop")).result(5)


def test_a_fault_is_shown_with_its_meaning_and_what_to_do(tab: Tab, bench: Bench) -> None:
    bench.submit(lambda link: link.rig.nodes[0].axes[0].latch(Fault.STALL)).result(5)
    faults = f"{CARD} [data-show=faults]"
    assert tab.until(f"document.querySelector('{faults}').textContent.includes('stall: {FAULTS[Fault.STALL].doc}')", 5)
    assert "Clear fault" in tab.text(faults)
    tab.click(f"{CARD} [data-do=clear-fault]")
    assert tab.until(f"document.querySelector('{faults}').hidden", 5)


def test_the_page_offers_a_name_that_no_take_has_yet(tab: Tab, bench: Bench) -> None:
    assert bench.keeping is not None
    (Path(bench.keeping.folder) / "take 1.mcap").write_bytes(b"")
    (Path(bench.keeping.folder) / "take 2.mcap").write_bytes(b"")
    tab.js("document.querySelector('#take').open = true")
    bench.start_take("take 3").result(5)
    bench.end_take().result(5)
    assert tab.until("document.querySelector('#take-name').value === 'take 4'", 20)


@pytest.mark.parametrize("theme", ["light", "dark"])
def test_text_has_enough_contrast(tab: Tab, theme: str) -> None:
    """At least 4.5 to 1 (WCAG 2.2, success criterion 1.4.3), examples in empty fields included."""
    tab.js(f"document.documentElement.dataset.theme = '{theme}'")
    tab.js("for (const one of document.querySelectorAll('details')) one.open = true")
    weak = tab.js(CONTRAST)
    tab.js("delete document.documentElement.dataset.theme")
    assert weak["most"] > 40
    assert weak["weak"] == []


def test_what_a_button_shows_is_part_of_its_name(tab: Tab) -> None:
    """For whoever speaks to the page (WCAG 2.2, success criterion 2.5.3); and each axis has names of its own."""
    names = tab.js(
        "[...document.querySelectorAll('.axis button')].map(n => ["
        "n.textContent.replace(/[◀▶…]/g, '').trim().toLowerCase(), n.getAttribute('aria-label')?.toLowerCase() ?? ''])"
    )
    assert len(names) > 8
    assert [one for one in names if one[0] not in one[1] or "16.0" not in one[1]] == []
