"""A bench measurement that is made from the page: in a thread of its own, which has the link to itself meanwhile."""

from __future__ import annotations

import threading
from dataclasses import dataclass
from datetime import datetime
from typing import Final, NamedTuple

from ringlet.tools.bench import carry_out, report
from ringlet.tools.bench.carry_out import Order
from ringlet.tools.bench.registry import MEASUREMENTS
from ringlet.tools.bench.run_folder import Folder, Run
from ringlet.tools.clock import Clock
from ringlet.tools.errors import RingletError, UsageProblem
from ringlet.tools.page.keeping import Keeping
from ringlet.tools.page.watched import Stopped, WatchedLink

ALL: Final = "all"
LEFT_OUT: Final = ("stops", "together", "soak")
"""Not in `all` from the page: the first is not for every ring, the second needs a partner, the third takes long."""
HONEST: Final = (
    "Latency measured from here includes the work of the page itself; for figures to keep, close the page and use "
    "ringlet bench. Afterwards the axis is free: take it again to drive it."
)


class Choice(NamedTuple):
    """What a person may have measured."""

    id: str
    title: str
    about: str
    """what moves, and the caution"""


def choices() -> list[Choice]:
    """Every measurement of the table, and several in one go."""
    found = [
        Choice(name, one.title, " ".join(f"Moves {one.moves}. {one.caution}".split()))
        for name, one in MEASUREMENTS.items()
    ]
    several = [name for name in MEASUREMENTS if name not in LEFT_OUT]
    titles = ", ".join(MEASUREMENTS[name].title.lower() for name in several)
    about = f"Moves the ring over the whole travel, again and again, at up to full speed. In turn: {titles}."
    return [*found, Choice(ALL, "Several in one go", about)]


@dataclass(frozen=True)
class MeasureShot:
    """A measurement at one instant."""

    axis: str = ""
    title: str = ""
    running: bool = False
    seconds: float = 0.0
    """since it began, on the wall clock"""
    done: int = 0
    of: int = 0
    run: str = ""
    """name of its folder, once the report is there"""
    verdict: str = ""
    """the report's headline"""
    failed: bool = False
    problem: str = ""
    """why it ended early"""


class Measuring:
    """One run of one axis. `start` it; `shot` may be read by any thread."""

    def __init__(
        self, link: WatchedLink, keeping: Keeping, place: tuple[int, int], what: str, *, find: bool, wall: Clock
    ) -> None:
        """Raises UsageProblem for a measurement that does not exist."""
        if what != ALL and what not in MEASUREMENTS:
            raise UsageProblem("the page asked for a measurement that does not exist.")
        names = tuple(name for name in MEASUREMENTS if name not in LEFT_OUT) if what == ALL else (what,)
        self.order = Order(
            what, names, link.url, place[0], place[1], every=what == ALL, find=find, source=link.source
        )
        self._link, self._keeping, self._wall = link, keeping, wall
        self._began = wall.now()
        self._title = next(one.title for one in choices() if one.id == what)
        self._key = f"{place[0]}.{place[1]}"
        self._run: Run | None = None
        self._folder: Folder | None = None
        self._ended: MeasureShot | None = None
        self.broken = False
        """stop was pressed: the next wait of this thread ends it"""
        self.thread = threading.Thread(target=self._main, name="ringlet-measurement", daemon=True)

    @property
    def running(self) -> bool:
        """Whether it is still under way."""
        return self._ended is None

    def start(self) -> None:
        """Begin, in a thread of its own."""
        self.thread.start()

    def between(self) -> None:
        """To be called while its thread waits on the link. Raises Stopped, once, after a stop."""
        if self.broken and threading.current_thread() is self.thread:
            self.broken = False
            raise Stopped

    def shot(self) -> MeasureShot:
        """How it stands."""
        if self._ended is not None:
            return self._ended
        run = self._run
        of = len(self.order.names)
        done = of - len(run.left()) if run is not None else 0
        seconds = round(self._wall.now() - self._began, 1)
        return MeasureShot(self._key, self._title, True, seconds, done, of)

    def _main(self) -> None:
        problem = ""
        try:
            self._work()
        except Stopped:
            problem = "Stopped before it was finished; what was finished is in its report."
        except RingletError as error:
            problem = str(error)
        except BaseException as error:
            problem = f"The measurement broke off ({type(error).__name__}: {error}); look at the axis before you go on."
        self._finish(problem)

    def _work(self) -> None:
        run = carry_out.begin(self.order, self._link, _now)
        self._run = run
        stem = f"bench-{self._key}-{self.order.job}-{_now():%Y-%m-%d-%H%M%S}"
        folder = Folder.new(self._keeping.new_run(stem), run)
        self._folder = folder
        try:
            carry_out.carry_out(self.order, run, self._link, folder, _now)
        finally:
            report.write_page(folder.path, run)

    def _finish(self, problem: str) -> None:
        before, run, folder = self.shot(), self._run, self._folder
        done = run is not None and bool(run.axes) and any(axis.results or axis.trouble for axis in run.axes)
        verdict = report.headline(run)[1] if run is not None and done else ""
        failed = bool(problem) or run is None or bool(run.failures())
        self._ended = MeasureShot(
            before.axis, before.title, False, before.seconds, before.done, before.of,
            folder.path.name if folder is not None else "", verdict, failed, problem,
        )  # fmt: skip


def _now() -> datetime:
    return datetime.now().astimezone()
