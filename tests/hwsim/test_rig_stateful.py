"""Random programs of several controls, faults and time against a rig. The long form is long_rig.py."""

from __future__ import annotations

from contextlib import ExitStack

from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, rule
from long_rig import walk
from ramp_guard import guarded
from rig_machine import AXES, CONTROLS, FAULT_NAMES, LIMITS, RigMachine

from ringlet.protocol import messages as m
from ringlet.protocol.params import BY_NAME

AXIS = st.sampled_from(AXES)
WHO = st.sampled_from(CONTROLS)


class Rig(RuleBasedStateMachine):
    """The rules; what must hold is checked in each millisecond by RigMachine."""

    def __init__(self) -> None:
        super().__init__()
        self.stack = ExitStack()
        self.machine = RigMachine(self.stack.enter_context(guarded()))

    def teardown(self) -> None:
        self.stack.close()

    @rule(axis=AXIS, who=WHO, force=st.integers(0, 1))
    def take(self, axis: int, who: int, force: int) -> None:
        self.machine.ask(m.Take(0, force), axis, who)

    @rule(axis=AXIS, who=WHO, to=st.integers(-20_000, 120_000), speed=st.integers(0, 300_000))
    def move(self, axis: int, who: int, to: int, speed: int) -> None:
        self.machine.ask(m.Move(0, to, speed), axis, self.machine.owners[axis] or who)

    @rule(axis=AXIS, who=WHO, speed=st.integers(-400_000, 400_000))
    def run(self, axis: int, who: int, speed: int) -> None:
        self.machine.ask(m.Run(0, speed), axis, who)

    @rule(axis=AXIS, who=WHO, to=st.integers(-20_000, 120_000))
    def stream(self, axis: int, who: int, to: int) -> None:
        self.machine.stream(axis, self.machine.owners[axis] or who, to)

    @rule(axis=AXIS, who=WHO, body=st.sampled_from((m.Hold(0), m.Release(0), m.Yield(0), m.FindStops(0))))
    def other(self, axis: int, who: int, body: object) -> None:
        self.machine.ask(body, axis, self.machine.owners[axis] or who)

    @rule(axis=AXIS, who=st.sampled_from((*CONTROLS, 9)), everyone=st.booleans())
    def stop(self, axis: int, who: int, everyone: bool) -> None:
        self.machine.stop(axis, who, everyone)

    @rule(axis=AXIS, who=WHO, name=st.sampled_from(sorted(LIMITS)), share=st.floats(0.0, 1.0))
    def limit(self, axis: int, who: int, name: str, share: float) -> None:
        low, high = LIMITS[name]
        self.machine.ask(m.Set(0, BY_NAME[name].id, round(low + share * (high - low))), axis, who)

    @rule(who=WHO)
    def keep_alive(self, who: int) -> None:
        self.machine.keep_alive(who)

    @rule(axis=AXIS, which=st.sampled_from(FAULT_NAMES))
    def fault(self, axis: int, which: str) -> None:
        self.machine.fault(axis, which)

    @rule(axis=AXIS)
    def repair(self, axis: int) -> None:
        self.machine.place(axis)

    @rule(ms=st.integers(1, 400))
    def time(self, ms: int) -> None:
        self.machine.pass_time(ms)


TestRig = Rig.TestCase
TestRig.settings = settings(
    max_examples=25, stateful_step_count=40, deadline=None, derandomize=True,
    suppress_health_check=list(HealthCheck),
)  # fmt: skip


def test_the_long_form_begins_well() -> None:
    figures = walk(12_000, seed=1)
    assert figures["steps"] >= 12_000
    assert figures["ramp ticks"] > 2_000
    assert all(figures[name] > 0 for name in ("Move", "Run", "Take", "Stop", "StreamRing", "Set"))
