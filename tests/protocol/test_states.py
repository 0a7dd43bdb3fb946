"""The axis state table is complete and safe: every request has an outcome in every state."""

from __future__ import annotations

import pytest

import ringlet.protocol.codec  # noqa: F401  (fills the table of kinds)
from ringlet.protocol.codes import ENUMS, FAULTS
from ringlet.protocol.states import INTERNAL, REQUESTS, STATES, TABLE, TRANSITIONS, State
from ringlet.protocol.wire import KINDS

POWERED = {state for state, rule in STATES.items() if rule.drive}
MOTION = {"move", "move-travel", "run", "stream-ring", "stream-travel", "sync"}


def outcome(request: str, state: State) -> str:
    """What the module's text says: a row, or a refusal."""
    if (request, state) in TABLE:
        return "done"
    return "faulted" if state is State.FAULTED else "wrong-state"


@pytest.mark.parametrize("state", list(State), ids=lambda state: state.name)
@pytest.mark.parametrize("request_", REQUESTS)
def test_every_request_has_an_outcome_in_every_state(request_: str, state: State) -> None:
    assert outcome(request_, state) in {"done"} | {name for _, name, _ in ENUMS["refusal"]}
    rows = [row for row in TRANSITIONS if row.event == request_ and state in row.states]
    assert len(rows) == (1 if outcome(request_, state) == "done" else 0)  # never two rows for one case
    assert all(row is TABLE[request_, state] for row in rows)


def test_internal_events_are_not_ambiguous_either() -> None:
    cases = [(row.event, state) for row in TRANSITIONS for state in row.states]
    assert len(cases) == len(set(cases)) == len(TABLE)


def test_every_event_is_a_request_or_internal() -> None:
    assert {row.event for row in TRANSITIONS} == set(REQUESTS) | set(INTERNAL)
    assert not set(REQUESTS) & set(INTERNAL)
    assert all(row.doc for row in TRANSITIONS)


@pytest.mark.parametrize("name", REQUESTS)
def test_every_request_of_the_table_is_a_kind_for_an_axis(name: str) -> None:
    row = KINDS.by_name[name]
    assert row.role in {"request", "stream"}
    assert (row.sender, row.scope) == ("control", "axis")


def test_every_kind_that_only_the_owner_may_send_is_in_the_table() -> None:
    assert {row.name for row in KINDS if row.owner == "must"} <= set(REQUESTS)


def test_states_have_rules_and_are_an_enumeration() -> None:
    assert set(STATES) == set(State)
    assert [(count, name) for count, name, _ in ENUMS["state"]] == [(int(s), s.name.lower()) for s in State]
    for rule in STATES.values():
        assert rule.doc
        assert rule.drive == bool(rule.torque)  # a drive that is on has a torque limit


def test_nothing_is_accepted_while_starting() -> None:
    assert {event for event, state in TABLE if state is State.STARTING} == {"ready"}


def test_stop_is_accepted_in_every_state_after_starting() -> None:
    for state in set(State) - {State.STARTING}:
        row = TABLE["stop", state]
        assert not row.calibrated
        assert row.to in ({None} if STATES[state].still else {State.STOPPING})


def test_a_fault_bars_all_motion_until_cleared() -> None:
    accepted = {event for event, state in TABLE if state is State.FAULTED}
    assert accepted == {"stop", "clear-fault", "yield"}
    assert TABLE["clear-fault", State.FAULTED].to is State.RELEASED  # not straight into motion
    assert not STATES[State.FAULTED].drive


def test_finding_can_only_be_ended() -> None:
    accepted = {event for event, state in TABLE if state is State.FINDING} & set(REQUESTS)
    assert accepted == {"hold", "release", "stop", "yield"}


def test_motion_leads_to_a_powered_state_and_targets_need_the_travel() -> None:
    for (event, _), row in TABLE.items():
        if event in MOTION:
            assert row.to in POWERED
            assert row.calibrated == (event != "run")
        if event in ("stage", "stage-value"):
            assert row.calibrated
            assert row.to is None


def test_every_reaction_of_a_fault_has_rows_where_it_can_matter() -> None:
    reactions = {rule.reaction for rule in FAULTS.values()} - {"note"}
    assert {f"fault-{reaction}" for reaction in reactions} == {name for name in INTERNAL if name.startswith("fault-")}
    for state in set(State) - {State.STARTING, State.FAULTED}:
        assert TABLE["fault-coast", state].to is State.FAULTED
        ramp = TABLE["fault-ramp", state].to
        assert ramp is (State.FAULTED if STATES[state].still else State.STOPPING)


def test_a_lost_owner_stops_every_powered_state() -> None:
    assert {state for event, state in TABLE if event == "owner-lost"} == POWERED
    assert {row.to for row in TRANSITIONS if row.event == "owner-lost"} == {State.STOPPING}


def test_stopping_always_ends() -> None:
    ends = {TABLE[event, State.STOPPING].to for event in ("rested", "rested-free", "rested-fault")}
    assert ends == {State.HOLDING, State.RELEASED, State.FAULTED}
    assert all(STATES[state].still for state in ends if state is not None)


def test_what_ends_by_itself_ends_holding() -> None:
    assert {row.to for row in TRANSITIONS if row.event in ("arrived", "found")} == {State.HOLDING}
    assert {state for event, state in TABLE if event in ("arrived", "found")} == {
        State.MOVING,
        State.RUNNING,
        State.FINDING,
    }


def test_every_state_is_reached_and_left() -> None:
    reached, todo = {State.STARTING}, [State.STARTING]
    while todo:
        here = todo.pop()
        for (_, state), row in TABLE.items():
            if state is here and row.to is not None and row.to not in reached:
                reached.add(row.to)
                todo.append(row.to)
    assert reached == set(State)
    for state in State:
        assert any(row.to not in (None, state) for (_, origin), row in TABLE.items() if origin is state)
