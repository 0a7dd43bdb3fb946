"""The one thread that has the link. Everything else puts jobs into its queue and reads the last snapshot.

Stop goes before all jobs and drops those that wait. A jog lives by the heartbeats of whoever holds the button (see
`jogs`): when none has come for `DEAD_MAN` seconds the axis is stopped here, and when this thread itself hangs, the
protocol's owner time-out ramps the axis down in the node. While a measurement has the link (see `measuring`), this
thread keeps only what cannot wait: stops, and the snapshot.
"""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import CancelledError, Future
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import Any, Final

from ringlet.tools import cli_bus, cli_common
from ringlet.tools.clock import Clock, WallClock
from ringlet.tools.errors import LinkProblem, RingletError, UsageProblem
from ringlet.tools.link import AxisHandle, Link
from ringlet.tools.page import scales
from ringlet.tools.page.ears import KINDS, Ears
from ringlet.tools.page.jogs import Jogs
from ringlet.tools.page.keeping import NO_FOLDER, Keeping
from ringlet.tools.page.measuring import Measuring
from ringlet.tools.page.snapshot import Snapshot
from ringlet.tools.page.taking import Taking
from ringlet.tools.page.traces import Trace
from ringlet.tools.page.watched import Stopped, WatchedLink
from ringlet.tools.places import Place
from ringlet.tools.takes.live import Live

Job = Callable[[Link], Any]

RATE: Final = 50.0
"""Samples a second of each axis."""
KEEP: Final = 3600.0
"""Seconds of trace that are kept."""
LOOK_EVERY: Final = 0.005
"""Seconds at the most between two looks at the queue."""
SLOW_EVERY: Final = 0.25
"""Seconds between two full looks, at one axis after the other: faults, temperatures, limits."""
FALL_BEHIND: Final = 0.1
"""Seconds that a simulated rig may lag before the lag is given up and counted: it must not race to catch up."""
SHOW_EVERY: Final = 0.02
"""Seconds between two snapshots."""
REOPEN_EVERY: Final = 1.0
"""Seconds between two tries to open a port again that has gone away."""
CLOSE_WAIT: Final = 10.0
BROKEN_DOWN: Final = "the bench has ended, and no stop can go out from here: cut the power, and start the page again."


class Bench:
    """A link in a thread of its own. A context manager; `snapshot` is always there to be read.

    `folder` is where takes and reports go; `cards` are lens marks by axis; `pairs` are matched axes. `wall` is the
    clock of heartbeats and of the pace of simulated rigs. Opening raises what `Link.open` raises, and UsageProblem
    for a card, pair or folder that cannot be used.
    """

    def __init__(
        self, url: str, *, source: int = 1, rate: float = RATE, keep_s: float = KEEP, wall: Clock | None = None,
        folder: Path | None = None, cards: Mapping[Place, str] | None = None,
        pairs: Sequence[tuple[Place, Place]] = (),
    ) -> None:  # fmt: skip
        self._url, self._source, self._rate, self._keep = url, source, rate, keep_s
        self._wall = wall if wall is not None else WallClock()
        self.keeping = Keeping(folder) if folder is not None else None
        self._cards, self._named = dict(cards or {}), pairs
        self._jobs: deque[tuple[Job, Future[Any]]] = deque()
        self._lock = threading.Lock()
        self._stop_asked: list[Future[float]] = []
        self._waiting = threading.Event()
        self._jogs = Jogs(self._wall)
        self._asking: Place | None = None
        """axis of the job that is under way: a stop ends it, else a repeat of what it asks would come after the stop"""
        self._reopen_at = 0.0
        self._end = threading.Event()
        self._over = False
        self._opened: Future[None] = Future()
        self._stops = 0
        self._slipped = 0.0
        self._problem = ""
        self._take: Taking | None = None
        self._measure: Measuring | None = None
        self._kept = 0
        self._ears: Ears
        self.scales: dict[Place, scales.Scale] = {}
        """what the marks of each ring say; fixed once the bench is open"""
        self.pairs: list[tuple[Place, Place]] = []
        self.controls: dict[int, str] = {}
        """names of other controls by address, where a rig file tells them"""
        self.traces: dict[str, Trace] = {}
        self.snapshot = Snapshot(source=source, link=url)
        self._thread = threading.Thread(target=self._main, name="ringlet-bench", daemon=True)

    def __enter__(self) -> Bench:
        self._thread.start()
        self._opened.result()
        return self

    def __exit__(self, *exc: object) -> None:
        self.close()

    def close(self) -> None:
        """Stop what moves by our doing, give the axes up, and end the thread."""
        self._end.set()
        self._waiting.set()
        self._thread.join(CLOSE_WAIT)

    @property
    def alive(self) -> bool:
        """Whether the thread runs."""
        return self._thread.is_alive()

    # --- what other threads call -------------------------------------------------------------------------------

    def stop_all(self) -> Future[float]:
        """Stop everything, before all else. The result is the clock when the last of the stop messages had gone."""
        done: Future[float] = Future()
        with self._lock:
            if self._over:
                done.set_exception(LinkProblem(BROKEN_DOWN))
                return done
            self._stop_asked.append(done)
            dropped, self._jobs = self._jobs, deque()
        self._jogs.clear()
        for _, future in dropped:
            future.cancel()
        self._waiting.set()
        return done

    def submit(self, job: Job) -> Future[Any]:
        """Have the thread do this with the link. Jobs must be short: none waits for a motion to end."""
        future: Future[Any] = Future()
        if self.measuring:
            raise UsageProblem("a measurement is under way; wait for its end, or stop everything first.")
        with self._lock:
            if self._end.is_set() or self._over:
                future.set_exception(UsageProblem("the bench is being closed, or has ended; start the page again."))
                return future
            self._jobs.append((job, future))
        self._waiting.set()
        return future

    def on_axis(self, place: Place, work: Callable[[AxisHandle], Any]) -> Future[Any]:
        """As `submit`, with one axis. Afterwards the axis is looked at anew."""
        if place not in self._ears.shots:
            raise UsageProblem(f"there is no axis {place[1]} of node {place[0]} here.")

        def job(link: Link) -> Any:
            self._jogs.anew(place)
            self._asking = place
            try:
                return work(link.axis(*place))
            finally:
                self._asking = None
                self._ears.look(place)

        return self.submit(job)

    def press(self, place: Place, deg_s: float, hold: str) -> Future[Any]:
        """A button is held: turn until `let_go`, or until heartbeats under the name `hold` fail to come."""
        self._jogs.begin(place, hold)

        def work(handle: AxisHandle) -> None:
            if not self._jogs.holds(place, hold):
                return  # let go, stopped or timed out before it began
            try:
                handle.run(deg_s)  # without an answer the link stops it
            except BaseException:
                self._jogs.end(place, hold)
                raise

        try:
            return self.on_axis(place, work)
        except UsageProblem:
            self._jogs.end(place, hold)
            raise

    def heartbeat(self, place: Place, hold: str) -> bool:
        """The button is still held. False when that jog has ended: a heartbeat never starts one again."""
        return self._jogs.beat(place, hold)

    def let_go(self, place: Place, hold: str) -> Future[Any] | None:
        """The button is free: ramp down and hold. None when that jog has ended already."""
        if not self._jogs.end(place, hold):
            return None
        return self.on_axis(place, lambda handle: handle.hold())

    # --- takes and measurements --------------------------------------------------------------------------------

    @property
    def measuring(self) -> bool:
        """Whether a measurement has the link."""
        return self._measure is not None and self._measure.running

    def start_take(self, name: Any) -> Future[Any]:
        """Record all axes under this name, into the folder. Raises UsageProblem."""
        if self.keeping is None:
            raise UsageProblem(f"nothing was recorded: {NO_FOLDER}")
        keeping = self.keeping

        def job(link: Link) -> None:
            if self._take is not None and self._take.open:
                raise UsageProblem("a take is being recorded already; end it first.")
            path = keeping.new_take(name)
            self._take = Taking(link, path, list(self._ears.shots), self._rate, keeping)
            self._kept += 1
            self._publish(link)  # whoever asked sees it at once

        return self.submit(job)

    def end_take(self) -> Future[Any]:
        """The take ends. Nothing happens without one."""

        def job(link: Link) -> None:
            if self._take is not None and self._take.open:
                self._take.end()
                self._kept += 1
                self._publish(link)

        return self.submit(job)

    def start_measuring(self, place: Place, what: Any, find: bool) -> Future[Any]:
        """Measure one axis; its report goes into the folder. The future is done once it has begun."""
        if self.keeping is None:
            raise UsageProblem(f"nothing was measured: {NO_FOLDER}")
        if place not in self._ears.shots:
            raise UsageProblem(f"there is no axis {place[1]} of node {place[0]} here.")
        keeping = self.keeping

        def job(link: Link) -> None:
            if self._take is not None and self._take.open:
                raise UsageProblem("a take is being recorded; end it before you measure.")
            if self._jogs.held():
                raise UsageProblem("somebody is jogging; wait until it is let go.")
            assert isinstance(link, WatchedLink)
            self._measure = Measuring(link, keeping, place, str(what), find=find, wall=self._wall)
            self._ears.measured = place
            self._measure.start()
            self._publish(link)

        return self.submit(job)

    # --- the thread --------------------------------------------------------------------------------------------

    def _main(self) -> None:
        try:
            link = WatchedLink.open(self._url, source=self._source, notice=self._hear_notice)
        except BaseException as error:
            self._opened.set_exception(error)
            return
        live = None
        try:
            live = self._begin(link)
            self._publish(link)
            self._opened.set_result(None)
            self._loop(link, live)
        except BaseException as error:
            if not self._opened.done():
                self._opened.set_exception(error)
            else:
                self._problem = f"the bench has ended: {error}"
        finally:
            self._leave(link, live)
            if self.traces:
                self._publish(link)
            self._fail_all()

    def _leave(self, link: WatchedLink, live: Live | None) -> None:
        """Whatever happened: what moves by our doing is stopped, and everything is put back as it was."""
        if self._measure is not None and self._measure.running:
            self._measure.broken = True
            with suppress(RingletError):
                link.stop()
            self._measure.thread.join(CLOSE_WAIT)
        link.between = lambda: None
        with suppress(RingletError):
            for node, axis in link.owned:
                link.stop(node, axis)
        with suppress(RingletError):
            if self._take is not None:
                self._take.end()
            if live is not None:
                live.stop()
        with suppress(RingletError):
            link.close()

    def _hear_notice(self, sentence: str) -> None:
        self._problem = sentence

    def _begin(self, link: WatchedLink) -> Live:
        nodes = cli_common.nodes(link, None)
        places = [(node, axis) for node in nodes for axis in cli_common.axes_of(link, node, None)]
        roles = {place: cli_bus.role(link, *place) for place in places}
        for place in self._cards:
            if place not in roles:
                raise UsageProblem(f"--card names axis {place[0]}.{place[1]}, which is not here.")
        self._ears = Ears(link, roles, max(1, int(self._keep * self._rate)), self._rate)
        self.traces = self._ears.traces
        for place in places:
            self._ears.look(place)
        self.scales, wrong = scales.scales_of(link, places, self._cards)
        for sentence in wrong:
            cli_common.note(sentence)
        self._ears.scales = self.scales
        if link.rig is not None:
            self.controls = {one.source: one.name for one in link.rig.rig.controls}
        self.pairs = scales.pairs_of(link, roles, self._named)
        live = Live(link, places, self._rate, self._ears.sample, self._ears.tell)
        link.subscribe(self._ears.hear, KINDS)
        live.start()
        self._ears.begin(link.clock.now() - live.now())
        return live

    def _loop(self, link: WatchedLink, live: Live) -> None:
        self._began_wall, self._began = self._wall.now(), link.clock.now()
        link.between = lambda: self._between(link)
        slow_at, show_at, turn = 0.0, 0.0, 0
        places = list(self._ears.shots)
        while not self._end.is_set():
            self._waiting.clear()
            try:
                if self._measure is not None and self._measure.running:
                    self._meanwhile(link)
                else:
                    self._after_measuring()
                    self._urgent(link)
                    for place in self._jogs.again(self._ears.shots, self._source):
                        link.stop(*place)
                    self._next_job(link)
                    if not (self._measure is not None and self._measure.running):
                        self._step(live)
                        if time.monotonic() >= slow_at:
                            slow_at = time.monotonic() + SLOW_EVERY
                            turn += 1  # before it: an axis that is off must not keep the others from their turn
                            self._ears.look(places[turn % len(places)])
                            self._problem = ""
                        self._pass_time(link, live)
            except RingletError as error:
                self._problem = str(error)
                self._reopen(link)
                self._waiting.wait(0.05)
            if time.monotonic() >= show_at:  # people and browsers do not look faster, however fast a rig runs
                show_at = time.monotonic() + SHOW_EVERY
                self._publish(link)

    def _meanwhile(self, link: WatchedLink) -> None:
        """A measurement has the link: a stop goes out all the same, be it between two of its waits."""
        self._waiting.wait(LOOK_EVERY)
        if self._stop_asked and link.lock.acquire(timeout=LOOK_EVERY):
            try:
                self._urgent(link)
            finally:
                link.lock.release()

    def _after_measuring(self) -> None:
        if self._ears.measured is not None:
            self._ears.measured = None
            self._kept += 1

    def _step(self, live: Live) -> None:
        take = self._take
        if take is None or not take.open:
            live.step()
            return
        if not take.alone:
            live.step()
        take.step()
        for key, sample in take.heard:
            self._ears.sample(key, sample._replace(time_s=live.now()))
        take.heard.clear()
        if not take.open:
            self._kept += 1

    def _pass_time(self, link: WatchedLink, live: Live) -> None:
        """Wait a little: against the wall clock on a simulated rig."""
        if not link.is_sim:
            link.wait(min(LOOK_EVERY, max(live.next_due(), 0.001)))
            return
        behind = self._behind(link)
        if behind > 0:
            link.wait(min(behind, LOOK_EVERY))
        else:
            self._waiting.wait(min(-behind, LOOK_EVERY))

    def _behind(self, link: Link) -> float:
        """Seconds by which a simulated rig lags behind the wall clock; what is too much is given up and counted."""
        behind = self._wall.now() - self._began_wall - (link.clock.now() - self._began)
        if behind > FALL_BEHIND:
            self._slipped += behind
            self._began_wall += behind
            behind = LOOK_EVERY
        return behind

    def _between(self, link: WatchedLink) -> None:
        """Called while anybody waits on the link: stops, dead jogs, and the pace of a simulated rig."""
        if self._urgent(link) and self._asking is not None:
            raise Stopped
        measure = self._measure
        if link.is_sim and measure is not None and threading.current_thread() is measure.thread:
            while (behind := self._behind(link)) < 0 and not self._stop_asked and not measure.broken:
                time.sleep(min(-behind, LOOK_EVERY))
        if measure is not None:
            measure.between()

    def _reopen(self, link: WatchedLink) -> None:
        """A port that went away may be there again."""
        if not link.transport.away:
            return
        self._problem = (
            f"{link.transport.label}: the connection broke; it is tried again every second. Check the cable and the "
            "supply."
        )
        if time.monotonic() >= self._reopen_at:
            self._reopen_at = time.monotonic() + REOPEN_EVERY
            with suppress(LinkProblem):
                link.transport.reopen()

    def _urgent(self, link: Link) -> bool:
        """Stops that were asked for, and jogs whose button nobody holds any more.

        Whether the axis of the job that is under way was stopped.
        """
        with self._lock:
            asked, self._stop_asked = self._stop_asked, []
        dead = self._jogs.dead()
        if asked:
            self._stops += 1
            if self._measure is not None and self._measure.running:
                self._measure.broken = True
            try:
                link.stop()
            except RingletError as error:
                for future in asked:
                    future.set_exception(error)
                raise
            for future in asked:
                future.set_result(self._wall.now())
        for place in dead:
            link.stop(*place)
        return bool(asked) or self._asking in dead

    def _next_job(self, link: Link) -> None:
        """One job a turn, so that a stop never waits for more than one."""
        with self._lock:
            if not self._jobs:
                return
            job, future = self._jobs.popleft()
        if not future.set_running_or_notify_cancel():
            return
        try:
            future.set_result(job(link))
        except Stopped:
            future.set_exception(CancelledError())
        except Exception as error:
            future.set_exception(error)
        except BaseException as error:
            future.set_exception(error)
            raise

    def _fail_all(self) -> None:
        with self._lock:
            self._over = True
            jobs, self._jobs = self._jobs, deque()
            asked, self._stop_asked = self._stop_asked, []
        for future in (*(one for _, one in jobs), *asked):
            if not future.cancel():
                with suppress(Exception):
                    future.set_exception(CancelledError())

    def _publish(self, link: Link) -> None:
        held = self._jogs.held()
        axes = tuple(
            replace(shot, held=(shot.node, shot.axis) in held) for shot in self._ears.shown(link.clock.now())
        )  # fmt: skip
        take = self._take.shot() if self._take is not None else self.snapshot.take
        measure = self._measure.shot() if self._measure is not None else self.snapshot.measure
        self.snapshot = Snapshot(
            self.snapshot.number + 1, self._source, link.url, self._problem, round(self._slipped, 3), self._stops, axes,
            take, measure, self._kept,
        )  # fmt: skip


def wait_for(condition: Callable[[], bool], seconds: float) -> bool:
    """Look again and again from another thread; False when it does not come true in time."""
    end = time.monotonic() + seconds
    while not condition():
        if time.monotonic() > end:
            return False
        time.sleep(0.005)
    return True
