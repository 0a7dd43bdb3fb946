"""A bench run from beginning to end: what stands there, every measurement in turn, each kept as soon as it is done."""

from __future__ import annotations

import shlex
from collections.abc import Callable, Iterable
from dataclasses import asdict, dataclass, field, replace
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Final

from ringlet.hwsim.cardfile import MotorCard, load_motor
from ringlet.tools import cli_common as common
from ringlet.tools.bench import registry, run_folder, tested
from ringlet.tools.bench.result import Measurement
from ringlet.tools.bench.result import finished as went_through
from ringlet.tools.bench.run_folder import AxisTested, Folder, Run
from ringlet.tools.bench.session import Acceptance, Bench, Plan, on_bench
from ringlet.tools.errors import CheckFailed, DeviceRefused, UsageProblem
from ringlet.tools.link import Link

if TYPE_CHECKING:
    from ringlet.tools.lens.curve import MarkCurve

PLANNED: Final = ("soak_s", "soak_moves", "soak_stops", "seed", "partner")
"""What a run keeps of its plan; the rest belongs to one session."""
Now = Callable[[], datetime]
"""The wall clock, with its offset from UTC."""


@dataclass(frozen=True)
class Order:
    """What a person asked for."""

    job: str
    """the word after `ringlet bench`"""
    names: tuple[str, ...]
    """of measurements, in order"""
    link: str
    node: int | None = None
    axis: int | None = None
    every: bool = False
    """all nodes and axes unless `node` or `axis` names one; else the only node, and its first axis"""
    find: bool = False
    force: bool = False
    source: int = 1
    motor: str = ""
    torque_nm: float | None = None
    acceptance: Acceptance = field(default_factory=Acceptance)
    plan: Plan = field(default_factory=Plan)
    marks: str = ""
    """lens marks for figures in distance: card or file; none are those that the node holds"""
    stops: bool = True
    """False leaves the end stops alone"""

    def command(self) -> str:
        """The command that does it again."""
        parts = ["ringlet", "bench", self.job, "--link", self.link]
        for name, value in (("--node", self.node), ("--axis", self.axis)):
            parts += [] if value is None else [name, str(value)]
        parts += ["--source", str(self.source)] if self.source != 1 else []
        parts += ["--find"] if self.find else []
        parts += ["--motor", self.motor] if self.motor else []
        parts += [] if self.torque_nm is None else ["--torque", f"{self.torque_nm:g}"]
        usual = asdict(Acceptance())
        for name, value in asdict(self.acceptance).items():
            parts += [] if value == usual[name] else ["--accept", f"{name}={value:g}"]
        parts += ["--marks", self.marks] if self.marks else []
        parts += [] if self.stops else ["--no-stops"]
        plan, usual_plan = self.plan, Plan()
        if plan.soak_s != usual_plan.soak_s:
            parts += ["--hours", f"{plan.soak_s / 3600:.9g}"]
        parts += [] if plan.soak_moves is None else ["--moves", str(plan.soak_moves)]
        parts += ["--check-stops"] if plan.soak_stops else []
        parts += [] if plan.seed == usual_plan.seed else ["--seed", str(plan.seed)]
        parts += [] if plan.partner is None else ["--with", "{}.{}".format(*plan.partner)]
        return shlex.join(parts)


def begin(order: Order, bus: Link, now: Now) -> Run:
    """The run that an order asks for, with what stands on the link; nothing moves. Raises UsageProblem, NoAnswer."""
    addresses = common.nodes(bus, order.node) if order.every else [common.one_node(bus, order.node)]
    places = []
    for address in addresses:
        chosen = order.axis if order.every else order.axis or 0
        places += [(address, axis) for axis in common.axes_of(bus, address, chosen)]
    if order.marks and len(places) > 1:
        raise UsageProblem(
            f"--marks {order.marks} are those of one lens, and {len(places)} axes are to be measured; choose one with "
            "--node and --axis, or leave --marks out: marks that a motor holds are used."
        )
    if not order.every and order.plan.partner in places:
        raise UsageProblem("an axis makes no pair with itself; give another one with --with.")
    card = _card(order.motor)
    run = Run(
        tools=tested.tools(), began=now(), job=order.job, command=order.command(), link=order.link,
        simulated=bus.is_sim, find=order.find, torque_nm=order.torque_nm, motor=order.motor,
        acceptance=asdict(order.acceptance),
        usual_acceptance=asdict(Acceptance()), measurements=list(order.names),
        titles={name: registry.MEASUREMENTS[name].title for name in order.names}, marks=order.marks,
        plan={name: getattr(order.plan, name) for name in PLANNED},
        nodes=[tested.node_tested(bus, address) for address in addresses],
        axes=[tested.axis_tested(bus, address, axis, card) for address, axis in places],
    )  # fmt: skip
    _ready(run.axes, order.find)
    return run


def _ready(axes: Iterable[AxisTested], find: bool) -> None:
    """Raises UsageProblem when the travel of an axis is not known and may not be found."""
    for one in axes:
        if not one.calibrated and not find:
            raise UsageProblem(
                f"the travel of axis {one.axis} of node {one.node} is not known; add --find, or set it by hand."
            )


def check_same(run: Run, bus: Link) -> None:
    """Raises UsageProblem when what stands on the link is not what the run was begun with, NoAnswer when none is."""
    present = common.nodes(bus, None)
    nodes = [tested.node_tested(bus, one.node) for one in run.nodes if one.node in present]
    axes = [
        tested.axis_tested(bus, one.node, one.axis) for one in run.axes
        if one.node in present and one.axis in common.axes_of(bus, one.node, None)
    ]  # fmt: skip
    different = run_folder.difference(run, nodes, axes)
    if different:
        raise UsageProblem(f"the run cannot go on: {different}")
    _ready(axes, run.find)


def carry_out(order: Order, run: Run, bus: Link, folder: Folder | None, now: Now, resumed: bool = False) -> None:
    """Make every measurement that the run has not got yet. Each one is in `run`, and in the folder, when it is done.

    Raises LinkProblem and NoAnswer when the link is lost, UsageProblem for what a measurement cannot do.
    """
    total, card = len(run.axes) * len(run.measurements), _card(order.motor)
    curve = _curve(order.marks)
    for axis in run.axes:
        names = [name for name in run.measurements if name not in axis.results]
        if not names:
            continue
        axis.trouble = ""
        ready = False
        partner = None if order.plan.partner == (axis.node, axis.axis) else order.plan.partner
        plan = replace(order.plan, folder=folder.path if folder else None, resume=resumed, partner=partner)
        try:
            with on_bench(
                bus, bus.axis(axis.node, axis.axis), acceptance=order.acceptance, motor=card,
                torque_nm=order.torque_nm, force=order.force, find=order.find, plan=plan, curve=curve,
                caution="",  # whoever gave the order has shown it
            ) as bench:  # fmt: skip
                ready = True
                axis.travel = axis.travel or bench.travel
                for name in names:
                    number = total - len(run.left()) + 1
                    title = registry.MEASUREMENTS[name].title
                    common.note(f"Axis {axis.axis} of node {axis.node}: {title} ({number} of {total}).")
                    measured = _measure(name, bench)
                    if folder is None:
                        axis.results[name] = run_folder.finished(measured, now(), [])
                    else:
                        folder.add(axis, measured, now())
        except (DeviceRefused, CheckFailed) as error:
            if ready:
                raise
            # The axis cannot be made ready: that is its verdict, and the other axes go on.
            axis.trouble = str(error)
            common.note(f"Axis {axis.axis} of node {axis.node} cannot be measured: {error}")
            if folder is not None:
                folder.save()
    if not run.left():
        run.ended = now()
    if folder is not None:
        folder.save()


def _measure(name: str, bench: Bench) -> Measurement:
    """A measurement that the device breaks off is a failed one; what was set for it goes back before the next."""
    try:
        return registry.measure(name, bench)
    except (DeviceRefused, CheckFailed) as error:
        bench.link.stop(bench.handle.node, bench.handle.axis)
        bench.restore()
        return Measurement(name, registry.MEASUREMENTS[name].title, (), (went_through("procedure", str(error)),))


def _card(name: str) -> MotorCard | None:
    return load_motor(name) if name else None


def _curve(marks: str) -> MarkCurve | None:
    if not marks:
        return None
    from ringlet.tools.lens.marksfile import load

    return load(marks).curve()


def default_folder(now: Now) -> Path:
    """Where a run goes that names no folder."""
    return Path(f"ringlet-bench-{now():%Y-%m-%d-%H%M%S}")
