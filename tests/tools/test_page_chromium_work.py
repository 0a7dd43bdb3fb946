"""The work of the page in a real browser (Chromium over its DevTools protocol): takes, measurements, lens values,
pairs, traces by mouse, touch and keys, and what happens when a tab is hidden or the network is lost."""

from __future__ import annotations

import select
import socket
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import urlsplit

import pytest

pytest.importorskip("nicegui", reason="the page needs the extra `page`")
pytest.importorskip("mcap", reason="takes need the extra `take`")

from page_browser import CHROMIUM, Browser, Tab
from page_helpers import STILL, Wall, at_rest, find, own, shot

from ringlet.protocol import messages as m
from ringlet.protocol.codec import packet
from ringlet.tools.lens.marksfile import load
from ringlet.tools.page import server
from ringlet.tools.page.bench_thread import Bench, wait_for

pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="Chromium is not installed (Debian's package: chromium)")
LEFT, RIGHT = (16, 0), (17, 0)
FOCUS = '[data-axis="16.0"]'
TRACE = f"{FOCUS} canvas"
WALL = Wall()


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bench]:
    with Bench("sim:pair", folder=tmp_path_factory.mktemp("kept"), wall=WALL, keep_s=600.0) as one:
        with WALL.hurried():
            find(one, LEFT, RIGHT)
        yield one


def opened(browser: Browser, page: str, width: int = 1280, height: int = 1600) -> Tab:
    one = browser.open(page, width, height)
    assert one.until("document.querySelector('#link')?.textContent.startsWith('✓')", 60)
    return one


@pytest.fixture(scope="module")
def one_tab(browser: Browser, page: str) -> Tab:
    return opened(browser, page)


@pytest.fixture
def tab(one_tab: Tab, bench: Bench) -> Iterator[Tab]:
    """Both focus rings owned and at rest; stopped again afterwards."""
    own(bench, LEFT, RIGHT)
    one_tab.wire.ask("Page.bringToFront")
    yield one_tab
    bench.stop_all().result(10)
    assert wait_for(lambda: not bench.measuring, 30)
    at_rest(bench, LEFT, RIGHT)


def jogging(bench: Bench) -> bool:
    one = shot(bench, LEFT)
    return one.state == "running" and abs(one.velocity) > 3


def middle_of_travel(bench: Bench) -> None:
    bench.on_axis(LEFT, lambda handle: handle.move(150.0, wait=False)).result(5)
    assert wait_for(lambda: shot(bench, LEFT).state == "holding" and abs(shot(bench, LEFT).position - 150) < 1, 20)


# --- takes ---------------------------------------------------------------------------------------------------------


def test_a_take_is_recorded_and_downloaded(tab: Tab, bench: Bench) -> None:
    tab.js("document.querySelector('#take').open = true; document.querySelector('#take-name').value = 'scene 7'")
    tab.click("#record")
    assert tab.until("document.querySelector('#take-now').textContent.includes('● scene 7')", 10)
    assert tab.until("/^0:0[1-9]$/.test(document.querySelector('#take-time').textContent)", 10)
    assert tab.until("/0:0[1-9].* samples.*free on the disk/.test(document.querySelector('#take-figures').textContent)")
    assert "0.5 s stays in the file" in tab.text("#take")
    tab.click("#record-end")
    assert tab.until("document.querySelector('#take-now').textContent.includes('has ended')", 10)
    assert tab.js("document.querySelector('#take-name').value") == "scene 8"
    link = "document.querySelector('#kept-list a[download]')"
    assert tab.until(f"{link}?.getAttribute('href').includes('scene%207.mcap')", 10)
    begins = tab.js(f"fetch({link}.href).then(a => a.arrayBuffer()).then(b => [...new Uint8Array(b.slice(1, 5))])")
    assert bytes(begins) == b"MCAP"


# --- measurements --------------------------------------------------------------------------------------------------


def begin_measuring(tab: Tab, title: str) -> None:
    tab.click(f"{FOCUS} [data-ask=measure]")
    assert tab.until("[...document.querySelectorAll('.q-dialog')].some(d => d.textContent.includes('Measure focus'))")
    go = "[...document.querySelectorAll('.q-dialog button')].find(b => b.textContent.includes('Start measuring'))"
    assert tab.js(f"{go}.disabled")  # nothing moves before it is confirmed
    time.sleep(0.5)  # the question has come to rest
    tab.click(".q-dialog .q-select")
    option = f"[...document.querySelectorAll('.q-item')].find(i => i.textContent.includes('{title}'))"
    assert tab.until(option)
    tab.js(f"{option}.click()")
    time.sleep(0.3)
    assert "local codes" in tab.text(".q-dialog")
    tab.js("[...document.querySelectorAll('.q-dialog .q-checkbox')].filter(b => b.offsetParent).at(-1).click()")
    assert tab.until(f"!{go}.disabled")
    tab.dialog("Start measuring")


def test_a_measurement_shows_its_progress_and_its_report_and_escape_in_the_report_stops(
    tab: Tab, bench: Bench
) -> None:
    begin_measuring(tab, "Latency")
    assert tab.until("document.querySelector('#measure-now').textContent.includes('Latency of 16.0: 0 of 1 done')", 10)
    with WALL.hurried(8.0):
        assert tab.until("!document.querySelector('#measure-show').hidden", 60)
    assert "Pass" in tab.text("#measure-now")
    tab.click("#measure-show")
    inside = "document.querySelector('#report-page').contentDocument"
    assert tab.until(f"{inside}?.querySelector('h1')?.textContent.includes('Bench report')", 10)
    own(bench, LEFT)
    bench.on_axis(LEFT, lambda handle: handle.run(-5.0)).result(5)
    assert wait_for(lambda: shot(bench, LEFT).state == "running", 5)
    tab.mouse("mousePressed", 640, 800)  # into the report, so that it has the keyboard
    tab.mouse("mouseReleased", 640, 800)
    assert tab.js("document.activeElement.id") == "report-page"
    tab.key("Escape", 27)
    assert wait_for(lambda: shot(bench, LEFT).state == "holding", 5)
    x, y = tab.middle("#stop")
    assert tab.js(f"document.elementFromPoint({x}, {y}).closest('#stop') !== null")  # in reach above the report
    tab.click("#report-close")
    assert tab.until("document.querySelector('#report').hidden")


def test_stop_by_key_ends_a_measurement(tab: Tab, bench: Bench) -> None:
    begin_measuring(tab, "Ramps")
    assert wait_for(lambda: bench.measuring and abs(shot(bench, LEFT).velocity) > 20, 20)
    tab.key("Escape", 27)
    assert wait_for(lambda: "Stopped before" in bench.snapshot.measure.problem, 20)
    at_rest(bench, LEFT)
    assert tab.until("document.querySelector('#measure-now').textContent.includes('Stopped before')", 5)


# --- lens values, pair, another control, guide ---------------------------------------------------------------------


def test_a_mark_fills_the_field_and_only_the_button_moves(tab: Tab, bench: Bench) -> None:
    place = shot(bench, LEFT).setpoint
    tab.js(
        f"(() => {{ const s = document.querySelector('{FOCUS} [data-set=mark]'); s.value = '1.200 m';"
        "s.dispatchEvent(new Event('change', {bubbles: true})); })()"
    )
    assert tab.js(f"document.querySelector('{FOCUS} form.value [data-set=value]').value") == "1.200 m"
    assert not wait_for(lambda: shot(bench, LEFT).setpoint != place, 0.3)
    tab.click(f"{FOCUS} form.value button")
    ring = load("focus-long").curve().ring_at(1.2)
    assert wait_for(lambda: abs(shot(bench, LEFT).position - ring) < 0.4, 20)
    assert tab.until(f"document.querySelector('{FOCUS} [data-show=value]').textContent.startsWith('1.20')", 5)


def test_one_value_moves_both_of_a_pair(tab: Tab, bench: Bench) -> None:
    tab.js("(() => { const p = document.querySelector('.pair'); p.open = true;"
           "p.querySelector('[data-set=value]').value = `5'`; })()")  # fmt: skip
    tab.click(".pair form button[type=submit]")
    rings = [load(card).curve().ring_at(5 * 0.3048) for card in ("focus-long", "focus-long-right")]
    assert wait_for(
        lambda: all(abs(shot(bench, at).position - ring) < 0.4 for at, ring in zip((LEFT, RIGHT), rings, strict=True)),
        20,
    )
    assert tab.until("document.querySelector('.pair [data-show=pair]').textContent.startsWith('= both at 1.52')", 10)


def test_taking_from_another_control_names_it_and_is_confirmed(tab: Tab, bench: Bench) -> None:
    def other_takes(link: object) -> None:
        other = link.beside(source=3)  # type: ignore[attr-defined]
        handle = other.axis(*LEFT)
        handle.take(force=True)
        handle.set("owner-timeout", 60.0)
        handle.hold()  # heard once more: from now on the new time counts

    bench.submit(other_takes).result(5)
    assert tab.until(f"!document.querySelector('{FOCUS} [data-ask=force]').hidden", 5)
    assert tab.js(f"document.querySelector('{FOCUS} [data-do=take]').hidden")
    tab.click(f"{FOCUS} [data-ask=force]")
    assert tab.until("document.querySelector('.q-dialog')?.textContent.includes('from control 3 (iris knob)')", 5)
    go = "[...document.querySelectorAll('.q-dialog button')].find(b => b.textContent.includes('Take it by force'))"
    assert tab.js(f"{go}.disabled")
    assert shot(bench, LEFT).owner == 3
    tab.js("[...document.querySelectorAll('.q-dialog .q-checkbox')].find(b => b.offsetParent).click()")
    assert tab.until(f"!{go}.disabled")
    tab.dialog("Take it by force")
    assert wait_for(lambda: shot(bench, LEFT).owner == 1, 5)
    bench.on_axis(LEFT, lambda handle: handle.set("owner-timeout", 1.0)).result(5)


@pytest.mark.parametrize(("mdeg", "sign", "words"), [
    (12_300, "▶", "▲ up 12.3 deg"), (-8_000, "◀", "▼ down 8.0 deg"), (200, "●", "● met"),
])  # fmt: skip
def test_the_guide_shows_distance_and_direction_by_text_and_shape(
    tab: Tab, bench: Bench, mdeg: int, sign: str, words: str
) -> None:
    begun, ended = threading.Event(), threading.Event()

    guide = packet(m.Guide(0, 17, 0, mdeg, 0), dst=127, src=9, axis=15)

    def speaks() -> None:
        while not ended.wait(0.1):
            bench.submit(lambda link: link._take_in(guide))  # type: ignore[attr-defined]
            begun.set()

    speaker = threading.Thread(target=speaks)
    speaker.start()
    try:
        assert begun.wait(5)
        box = '[data-axis="17.0"] [data-show=guide]'
        way, track = (f"{box} [data-show=guide-{name}]" for name in ("way", "track"))
        assert tab.until(f"document.querySelector('{way}').textContent === 'control 9: {words}'", 5)
        assert tab.js(f"document.querySelector('{track} .control').textContent") == sign
        left = tab.js(f"parseFloat(document.querySelector('{track} .control').style.left)")
        assert (left < 49) if mdeg > 1000 else (left > 51) if mdeg < -1000 else 49 < left < 51
        assert "to meet the ring" in tab.js(f"document.querySelector('{track}').getAttribute('aria-label')")
    finally:
        ended.set()
        speaker.join(5)
    assert tab.until(f"document.querySelector('{box}').dataset.phase === 'lost'", 5)


# --- traces --------------------------------------------------------------------------------------------------------


def view(tab: Tab) -> dict[str, object]:
    tab.until("true")
    return dict(tab.js("benchFigures()"))


def live(tab: Tab) -> None:
    tab.click("[data-view=live]")
    assert view(tab)["end"] is None


def test_traces_zoom_and_pan_by_mouse(tab: Tab) -> None:
    live(tab)
    x, y = tab.middle(TRACE)
    tab.wheel(x, y, -400, modifiers=2)
    assert tab.until("benchFigures().span < 10")
    assert tab.js("document.querySelector('#span').value") == "free"
    assert tab.text("#pause") == "Run traces"  # zoomed about the middle: the end is no longer now
    tab.wheel(x, y, -400, modifiers=2 + 8)
    assert tab.until("benchFigures().upright['16.0']")
    before = view(tab)["end"]
    tab.mouse("mousePressed", x, y)
    tab.wire.ask("Input.dispatchMouseEvent", type="mouseMoved", x=x + 80, y=y, button="left", buttons=1)
    tab.mouse("mouseReleased", x + 80, y)
    assert float(str(view(tab)["end"])) < float(str(before))
    live(tab)
    assert view(tab)["span"] == 15
    assert view(tab)["upright"] == {}
    x, y = tab.middle(TRACE)
    tab.js("document.activeElement.blur()")
    tab.wheel(x, y, -400)  # nobody has clicked it: the page scrolls
    assert view(tab)["span"] == 15


def test_traces_zoom_and_pan_by_keys_and_no_arrow_on_them_moves_a_motor(tab: Tab, bench: Bench) -> None:
    live(tab)
    tab.js(f"document.querySelector('{TRACE}').focus()")
    tab.key("+", 187)
    tab.key("+", 187)
    assert view(tab)["span"] == pytest.approx(3.75)
    tab.key("ArrowLeft", 37)
    assert not wait_for(lambda: shot(bench, LEFT).state not in STILL, 0.3)
    tab.key("ArrowLeft", 37, "keyUp")
    end = view(tab)["end"]
    assert end is not None
    tab.key("PageUp", 33)
    tab.key("ArrowUp", 38)
    low, high = view(tab)["upright"]["16.0"]  # type: ignore[index]
    assert high > low
    tab.key("End", 35)
    assert view(tab)["end"] is None
    tab.key("0", 48)
    assert view(tab)["upright"] == {}


def test_traces_zoom_and_pan_by_touch(tab: Tab) -> None:
    live(tab)
    x, y = tab.middle(TRACE)
    tab.touch("touchStart", (x, y))
    tab.touch("touchMove", (x + 40, y))
    tab.touch("touchMove", (x + 90, y))
    tab.touch("touchEnd")
    assert tab.until("benchFigures().end !== null")
    live(tab)
    x, y = tab.middle(TRACE)
    tab.touch("touchStart", (x - 40, y), (x + 40, y))
    tab.touch("touchMove", (x - 80, y), (x + 80, y))
    tab.touch("touchMove", (x - 120, y), (x + 120, y))
    tab.touch("touchEnd")
    assert tab.until("benchFigures().span < 8")
    live(tab)


def test_older_parts_of_a_trace_come_from_the_bench(
    browser: Browser, page: str, bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(server, "FIRST_SECONDS", 2)  # what a page is given when it opens
    assert wait_for(lambda: bench.traces["16.0"].count > 700, 20)
    tab = opened(browser, page)
    rows = tab.js("benchFigures().rows")
    tab.js("(() => { const s = document.querySelector('#span'); s.value = '600';"
           "s.dispatchEvent(new Event('change', {bubbles: true})); })()")  # fmt: skip
    assert view(tab)["span"] == 600
    assert tab.until("benchFigures().older['16.0']?.begin === 0 && benchFigures().older['16.0'].rows > 500", 10)
    assert tab.js("benchFigures().rows") < rows + 4000
    browser.root.ask("Target.closeTarget", targetId=tab.target)


# --- touch, hidden, lost -------------------------------------------------------------------------------------------


def test_a_finger_jogs_while_it_is_down_and_a_finger_on_stop_stops(tab: Tab, bench: Bench) -> None:
    middle_of_travel(bench)
    tab.touch("touchStart", tab.middle(f'{FOCUS} [data-jog="1"]'))
    assert wait_for(lambda: jogging(bench), 5)
    assert not wait_for(lambda: shot(bench, LEFT).state != "running", 0.6)
    tab.touch("touchEnd")
    assert wait_for(lambda: shot(bench, LEFT).state == "holding", 5)
    bench.on_axis(LEFT, lambda handle: handle.run(-5.0)).result(5)
    assert wait_for(lambda: shot(bench, LEFT).state == "running", 5)
    tab.touch("touchStart", tab.middle("#stop"))
    assert wait_for(lambda: shot(bench, LEFT).state == "holding", 5)
    tab.touch("touchEnd")
    assert tab.until("document.querySelector('#said').textContent.includes('Stop was sent')", 5)


def test_a_finger_that_slides_off_the_button_lets_go(tab: Tab, bench: Bench) -> None:
    """Somebody who scrolls with a thumb that came down on the button must not keep the motor turning."""
    middle_of_travel(bench)
    x, y = tab.middle(f'{FOCUS} [data-jog="1"]')
    tab.touch("touchStart", (x, y))
    assert wait_for(lambda: jogging(bench), 5)
    tab.touch("touchMove", (x + 6, y - 8))
    assert not wait_for(lambda: shot(bench, LEFT).state != "running", 0.5)  # it only rolled
    tab.touch("touchMove", (x + 6, y - 90))
    assert wait_for(lambda: shot(bench, LEFT).state == "holding", 5)
    tab.touch("touchMove", (x, y))
    assert not wait_for(lambda: shot(bench, LEFT).state == "running", 0.3)  # and does not begin anew
    tab.touch("touchEnd")


def test_a_hidden_tab_lets_go(tab: Tab, browser: Browser, bench: Bench) -> None:
    middle_of_travel(bench)
    tab.mouse("mousePressed", *tab.middle(f'{FOCUS} [data-jog="1"]'))
    assert wait_for(lambda: jogging(bench), 5)
    window = browser.root.ask("Browser.getWindowForTarget", targetId=tab.target)["windowId"]
    browser.root.ask("Browser.setWindowBounds", windowId=window, bounds={"windowState": "minimized"})
    try:
        assert wait_for(lambda: shot(bench, LEFT).state == "holding", 5)
        assert tab.js("document.hidden")
    finally:
        browser.root.ask("Browser.setWindowBounds", windowId=window, bounds={"windowState": "normal"})
    assert tab.until("!document.hidden", 5)
    assert not wait_for(lambda: shot(bench, LEFT).state == "running", 0.4)  # it does not start again by itself


class Cable:
    """Bytes between browser and page that can be held up, as a network that hangs does; loopback only.

    Once it is whole again new connections pass, and those from before stay dead, as after a router that forgot them.
    """

    def __init__(self, page: str) -> None:
        self._to = (str(urlsplit(page).hostname), int(urlsplit(page).port or 0))
        self._door = socket.create_server(("127.0.0.1", 0))
        self.address = f"http://127.0.0.1:{self._door.getsockname()[1]}/"
        self.cut, self._end, self._mended = threading.Event(), threading.Event(), 0
        self._threads = [threading.Thread(target=self._let_in, daemon=True)]
        self._threads[0].start()

    def _let_in(self) -> None:
        self._door.settimeout(0.1)
        while not self._end.is_set():
            try:
                near, _ = self._door.accept()
            except OSError:
                continue
            one = threading.Thread(target=self._carry, args=(near,), daemon=True)
            self._threads.append(one)
            one.start()

    def _carry(self, near: socket.socket) -> None:
        with near, socket.create_connection(self._to) as far:
            began = self._mended
            while not self._end.is_set():
                if self.cut.is_set() or began != self._mended:
                    time.sleep(0.02)
                    continue
                for one in select.select([near, far], [], [], 0.05)[0]:
                    data = one.recv(65_536)
                    if not data:
                        return
                    (far if one is near else near).sendall(data)

    def mend(self) -> None:
        self._mended += 1
        self.cut.clear()

    def close(self) -> None:
        self._end.set()
        for one in self._threads:
            one.join(5)
        self._door.close()


def test_a_lost_network_ends_a_jog_by_time_out_and_what_comes_back_is_the_truth(
    tab: Tab, browser: Browser, page: str, bench: Bench
) -> None:
    cable = Cable(page)
    try:
        far = opened(browser, cable.address)
        middle_of_travel(bench)
        far.mouse("mousePressed", *far.middle(f'{FOCUS} [data-jog="1"]'))
        assert wait_for(lambda: jogging(bench), 5)
        cable.cut.set()
        assert wait_for(lambda: shot(bench, LEFT).state == "holding", 5)  # nothing but the time-out can have done it
        assert far.until("document.querySelector('#link').textContent.includes('hears nothing')", 10)
        assert far.js("document.body.classList.contains('stale')")
        bench.on_axis(LEFT, lambda handle: handle.run(-8.0)).result(5)  # meanwhile somebody else drives
        far.key("Escape", 27)
        assert far.until("/NOT CONFIRMED|DID NOT GO OUT/.test(document.querySelector('#said').textContent)", 5)
        bench.on_axis(LEFT, lambda handle: handle.move(40.0, wait=False)).result(5)
        assert wait_for(lambda: abs(shot(bench, LEFT).position - 40) < 1, 20)
        cable.mend()
        assert far.until("document.querySelector('#link').textContent.startsWith('✓')", 30)
        assert far.until(f"parseFloat(document.querySelector('{FOCUS} [data-show=position]').textContent) < 45", 5)
        assert not wait_for(lambda: shot(bench, LEFT).state == "running", 0.4)
        browser.root.ask("Target.closeTarget", targetId=far.target)
    finally:
        cable.close()


# --- pictures ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("width", [360, 1920])
def test_every_panel_open_fits_and_every_control_has_a_name(tab: Tab, width: int) -> None:
    tab.size(width, 900)
    tab.js("for (const one of document.querySelectorAll('details')) one.open = true")
    assert tab.until(f"innerWidth === {width}")
    assert tab.js("document.documentElement.scrollWidth <= innerWidth")
    nameless = tab.js(
        "[...document.querySelectorAll('button, input, select, canvas, meter, progress, iframe, [role=img]')].filter("
        "n => !n.getAttribute('aria-label') && !n.title && !n.closest('label')"
        " && !(n.tagName === 'BUTTON' && n.textContent.trim()))"  # the options of a choice are not its name
        ".map(n => n.outerHTML)"
    )
    assert nameless == []
    small = tab.js(
        "[...document.querySelectorAll('main button, .panel button, header button, main input, .panel input')]"
        ".filter(n => n.offsetParent && n.getBoundingClientRect().height < 43).map(n => n.outerHTML)"
    )
    assert small == []  # a finger needs about 44 px (WCAG 2.2, success criterion 2.5.5)
    tab.size(1280, 1600)


def test_what_was_kept_lies_in_the_folder_and_nowhere_else(bench: Bench) -> None:
    """What tests before this one kept may lie there too."""
    assert bench.keeping is not None
    bench.start_take("the last").result(5)
    bench.end_take().result(5)
    kept = {path.relative_to(bench.keeping.folder).parts[0] for path in bench.keeping.folder.rglob("*")}
    assert "the last.mcap" in kept
    assert all(name in ("the last.mcap", "scene 7.mcap") or name.startswith("bench-16.0-") for name in kept)
    assert not Path("the last.mcap").exists()
    assert not Path("scene 7.mcap").exists()
