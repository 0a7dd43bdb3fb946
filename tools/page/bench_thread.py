"""The one thread that has the link. Everything else puts jobs into its queue and reads the last snapshot.

Stop goes before all jobs and drops those that wait. A jog lives by the heartbeats of whoever holds the button: when
none has come for `DEAD_MAN` seconds the axis is stopped here, and when this thread itself hangs, the protocol's owner
time-out ramps the axis down in the node.
"""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Callable
from concurrent.futures import CancelledError, Future
from contextlib import suppress
from dataclasses import dataclass, replace
from typing import Any, Final

from ringlet.protocol import messages as m
from ringlet.protocol.codec import Packet
from ringlet.protocol.codes import FLAG_PARTS, Flag
from ringlet.tools import cli_bus, cli_common
from ringlet.tools.clock import Clock, WallClock
from ringlet.tools.errors import RingletError, UsageProblem
from ringlet.tools.link import AxisHandle, Link
from ringlet.tools.page.snapshot import LIMITS, AxisShot, Snapshot
from ringlet.tools.page.traces import Trace
from ringlet.tools.takes.layout import Sample
from ringlet.tools.takes.live import Live

Place = tuple[int, int]
Job = Callable[[Link], Any]

HEARTBEAT: Final = 0.1
"""Seconds between two signs of life of a held button."""
DEAD_MAN: Final = 0.3
"""Seconds without a sign of life after which a jog is stopped."""
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
CLOSE_WAIT: Final = 10.0


@dataclass
class _Hold:
    """A button that somebody holds."""

    id: str
    beat: float


class Bench:
    """A link in a thread of its own. A context manager; `snapshot` is always there to be read.

    `wall` is the clock of heartbeats and of the pace of simulated rigs. Opening raises what `Link.open` raises.
    """

    def __init__(
        self, url: str, *, source: int = 1, rate: float = RATE, keep_s: float = KEEP, wall: Clock | None = None
    ) -> None:
        self._url, self._source, self._rate, self._keep = url, source, rate, keep_s
        self._wall = wall if wall is not None else WallClock()
        self._jobs: deque[tuple[Job, Future[Any]]] = deque()
        self._lock = threading.Lock()
        self._stop_asked: list[Future[float]] = []
        self._waiting = threading.Event()
        self._holds: dict[Place, _Hold] = {}
        self._end = threading.Event()
        self._opened: Future[None] = Future()
        self._shots: dict[Place, AxisShot] = {}
        self._stops = 0
        self._slipped = 0.0
        self._problem = ""
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
            self._stop_asked.append(done)
            dropped, self._jobs = self._jobs, deque()
            self._holds.clear()
        for _, future in dropped:
            future.cancel()
        self._waiting.set()
        return done

    def submit(self, job: Job) -> Future[Any]:
        """Have the thread do this with the link. Jobs must be short: none waits for a motion to end."""
        future: Future[Any] = Future()
        with self._lock:
            if self._end.is_set():
                future.set_exception(UsageProblem("the bench is being closed."))
                return future
            self._jobs.append((job, future))
        self._waiting.set()
        return future

    def on_axis(self, place: Place, work: Callable[[AxisHandle], Any]) -> Future[Any]:
        """As `submit`, with one axis. Afterwards the axis is looked at anew."""
        if place not in self._shots:
            raise UsageProblem(f"there is no axis {place[1]} of node {place[0]} here.")

        def job(link: Link) -> Any:
            try:
                return work(link.axis(*place))
            finally:
                self._look(link, place)

        return self.submit(job)

    def press(self, place: Place, deg_s: float, hold: str) -> Future[Any]:
        """A button is held: turn until `let_go`, or until heartbeats under the name `hold` fail to come."""
        with self._lock:
            if place in self._holds:
                raise UsageProblem("somebody else is jogging this axis; wait until it is let go.")
            self._holds[place] = _Hold(hold, self._wall.now())

        def work(handle: AxisHandle) -> None:
            with self._lock:
                held = self._holds.get(place)
            if held is None or held.id != hold:
                return  # let go, stopped or timed out before it began
            try:
                handle.run(deg_s)
            except BaseException:
                self._forget(place, hold)
                raise

        try:
            return self.on_axis(place, work)
        except UsageProblem:
            self._forget(place, hold)
            raise

    def heartbeat(self, place: Place, hold: str) -> bool:
        """The button is still held. False when that jog has ended: a heartbeat never starts one again."""
        with self._lock:
            held = self._holds.get(place)
            if held is None or held.id != hold:
                return False
            held.beat = self._wall.now()
            return True

    def let_go(self, place: Place, hold: str) -> Future[Any] | None:
        """The button is free: ramp down and hold. None when that jog has ended already."""
        return self.on_axis(place, lambda handle: handle.hold()) if self._forget(place, hold) else None

    def _forget(self, place: Place, hold: str) -> bool:
        with self._lock:
            held = self._holds.get(place)
            if held is None or held.id != hold:
                return False
            del self._holds[place]
            return True

    # --- the thread --------------------------------------------------------------------------------------------

    def _main(self) -> None:
        try:
            link = Link.open(self._url, source=self._source, notice=self._hear_notice)
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
            with suppress(RingletError):
                for node, axis in link.owned:
                    link.stop(node, axis)
                if live is not None:
                    live.stop()
            with suppress(RingletError):
                link.close()
            self._publish(link)
            self._fail_all()

    def _hear_notice(self, sentence: str) -> None:
        self._problem = sentence

    def _begin(self, link: Link) -> Live:
        nodes = cli_common.nodes(link, None)
        places = [(node, axis) for node in nodes for axis in cli_common.axes_of(link, node, None)]
        for place in places:
            self._shots[place] = AxisShot(*place, role=cli_bus.role(link, *place))
            self._look(link, place)
            self.traces[f"{place[0]}.{place[1]}"] = Trace(max(1, int(self._keep * self._rate)))
        live = Live(link, places, self._rate, self._sample, self._tell)
        link.subscribe(self._hear, ("drive", "status"))
        live.start()
        return live

    def _loop(self, link: Link, live: Live) -> None:
        began_wall, began = self._wall.now(), link.clock.now()
        slow_at, show_at, turn = self._wall.now(), 0.0, 0
        places = list(self._shots)
        while not self._end.is_set():
            self._waiting.clear()
            try:
                self._urgent(link)
                self._next_job(link)
                live.step()
                if self._wall.now() >= slow_at:
                    slow_at = self._wall.now() + SLOW_EVERY
                    self._look(link, places[turn % len(places)])
                    turn += 1
                    self._problem = ""
                if link.is_sim:
                    behind = self._wall.now() - began_wall - (link.clock.now() - began)
                    if behind > FALL_BEHIND:
                        self._slipped += behind
                        began_wall += behind
                        behind = LOOK_EVERY
                    if behind > 0:
                        link.wait(min(behind, LOOK_EVERY))
                    else:
                        self._waiting.wait(min(-behind, LOOK_EVERY))
                else:
                    link.wait(min(LOOK_EVERY, max(live.next_due(), 0.001)))
            except RingletError as error:
                self._problem = str(error)
                self._waiting.wait(0.05)
            if self._wall.now() >= show_at:
                show_at = self._wall.now() + SHOW_EVERY
                self._publish(link)

    def _urgent(self, link: Link) -> None:
        """Stops that were asked for, and jogs whose button nobody holds any more."""
        with self._lock:
            asked, self._stop_asked = self._stop_asked, []
            now = self._wall.now()
            dead = [place for place, hold in self._holds.items() if now - hold.beat > DEAD_MAN]
            for place in dead:
                del self._holds[place]
        if asked:
            self._stops += 1
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
        except Exception as error:
            future.set_exception(error)

    def _fail_all(self) -> None:
        with self._lock:
            jobs, self._jobs = self._jobs, deque()
            asked, self._stop_asked = self._stop_asked, []
        for future in (*(one for _, one in jobs), *asked):
            if not future.cancel():
                with suppress(Exception):
                    future.set_exception(CancelledError())

    # --- what is heard -----------------------------------------------------------------------------------------

    def _sample(self, key: str, sample: Sample) -> None:
        node, axis = key.split(".")
        place = (int(node), int(axis))
        shot = self._shots[place]
        first = () if sample.fault == "none" else (sample.fault,)
        faults = shot.faults if first and sample.fault in shot.faults else first
        self._shots[place] = replace(
            shot, state=sample.state, position=sample.ring_deg, setpoint=sample.setpoint_deg,
            velocity=sample.velocity_deg_s, current=sample.current_a, owner=sample.owner, faults=faults, silent=False,
        )  # fmt: skip
        self.traces[key].add(
            sample.time_s, (sample.ring_deg, sample.setpoint_deg, sample.velocity_deg_s, float(shot.load))
        )

    def _tell(self, at: float, what: str, key: str, text: str, count: int) -> None:
        if what == "link":
            node, axis = key.split(".")
            place = (int(node), int(axis))
            self._shots[place] = replace(self._shots[place], silent=True)

    def _hear(self, heard: Packet, _: float) -> None:
        place = (heard.src, heard.axis)
        shot = self._shots.get(place)
        if shot is None:
            return
        if isinstance(heard.body, m.Drive):
            self._shots[place] = replace(shot, load=heard.body.load)
        elif isinstance(heard.body, m.Status):
            flags = heard.body.flags
            names = tuple(part.name for part in FLAG_PARTS if flags >> part.shift & 1)
            self._shots[place] = replace(shot, flags=names, calibrated=bool(flags >> Flag.CALIBRATED & 1))

    def _look(self, link: Link, place: Place) -> None:
        """All that one axis says of itself, and the settings that bound it."""
        view = cli_bus.look(link, *place, self._shots[place].role)
        handle = link.axis(*place)
        values = [float(handle.get(name)) for name in ("travel-min", "travel-max", *LIMITS, "finding-speed")]
        self._shots[place] = replace(
            self._shots[place], state=view.state, position=view.position_deg, setpoint=view.setpoint_deg,
            velocity=view.velocity_deg_s, current=view.current_a, load=view.load_percent,
            calibrated=view.travel is not None, travel=(values[0], values[1]),
            limits=(values[2], values[3], values[4], values[5]), finding_speed=values[6], owner=view.owner,
            flags=view.flags, faults=view.faults, supply=view.supply_v, winding=view.winding_c, case=view.case_c,
        )  # fmt: skip

    def _publish(self, link: Link) -> None:
        with self._lock:
            held = set(self._holds)
        axes = tuple(replace(shot, held=place in held) for place, shot in self._shots.items())
        self.snapshot = Snapshot(
            self.snapshot.number + 1, self._source, link.url, self._problem, round(self._slipped, 3), self._stops, axes
        )


def wait_for(condition: Callable[[], bool], seconds: float) -> bool:
    """Look again and again from another thread; False when it does not come true in time."""
    end = time.monotonic() + seconds
    while not condition():
        if time.monotonic() > end:
            return False
        time.sleep(0.005)
    return True
