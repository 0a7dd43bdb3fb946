"""The table of faults: how each is injected in simulation, what is promised, where the promise stands, what tests it.

Print it, and run all of its tests: python tests/hwsim/fault_table.py
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import NamedTuple

TESTS = Path(__file__).parent.parent


class FaultRow(NamedTuple):
    """One fault."""

    name: str
    injected: str
    promised: str
    stands: str
    """where the promise is written"""
    tests: tuple[str, ...]
    """FILE::FUNCTION below tests/"""


_HERE = "hwsim/test_fault_table.py::test_"
_RECORD = "tools/test_takes_record.py::test_"
_WIRES = "tools/test_link_wires.py::test_"
_TIMEOUT = "protocol/states.py, event owner-lost; parameter owner-timeout"

FAULTS_TABLE = (
    FaultRow(
        "cable pulled and back", "the station of a moving node is unplugged from the CAN bus, later plugged in again",
        "the node misses its owner, ramps down, holds and is free; the tool says that nobody answers; with the cable "
        "back the same link goes on, and what was set is still set",
        _TIMEOUT, (f"{_HERE}cable_pulled_and_back", f"{_WIRES}a_pulled_cable_is_said_and_the_link_comes_back"),
    ),
    FaultRow(
        "tool killed while moving", "the control falls silent during a run, without closing its link",
        "after the owner time-out the axis ramps down, holds and is free; another control takes it",
        _TIMEOUT,
        (
            f"{_HERE}tool_killed_while_moving",
            "tools/test_fault_table_tools.py::test_a_killed_process_leaves_the_motor_at_rest",
        ),
    ),
    FaultRow(
        "node reset while moving", "the supply of one node goes and comes back during a move",
        "the drive is off at once; the node wakes released, not calibrated and free; saved settings are "
        "there; the move "
        "ends with a sentence",
        "protocol/states.py, state starting", (f"{_HERE}node_reset_while_moving",),
    ),
    FaultRow(
        "node reset while saving", "the supply goes after each number of bytes of a settings save",
        "after the restart the old settings are in force or the new ones, never a mix; the tool says that the save was "
        "not answered",
        "hwsim/settings.py, Store; messages.py, save",
        (
            "hwsim/test_settings.py::test_a_cut_at_any_byte_gives_the_old_or_the_new",
            "hwsim/test_settings.py::test_a_power_cut_during_a_save_restarts_the_board_with_old_or_new",
            f"{_HERE}node_reset_while_saving",
        ),
    ),
    FaultRow(
        "supply dip", "the supply falls below its lowest voltage during a move and comes back",
        "the axis ramps down, frees the ring and keeps the fault until it is cleared; the tool names it",
        "protocol/codes.py, FAULTS",
        (f"{_HERE}supply_dip", "hwsim/test_axis_faults.py::test_fault_with_a_standing_cause"),
    ),
    FaultRow(
        "encoder lost", "the encoder gives no counts any more during a move",
        "the ring is free at once, the position counts as unknown, the tool names the fault",
        "protocol/codes.py, FAULTS", (f"{_HERE}encoder_lost",),
    ),
    FaultRow(
        "motor stalled", "the ring is held during a move",
        "within the stall time, or at the limit of the following error, the ring is free; the tool names the fault",
        "protocol/codes.py, FAULTS",
        (f"{_HERE}motor_stalled", "hwsim/test_axis_faults.py::test_blocked_ring_is_a_stall"),
    ),
    FaultRow(
        "hot winding", "the board's estimate of the winding temperature rises past its limit during a move",
        "the axis ramps down and frees the ring, and cannot be cleared while it is hot; the tool names the fault",
        "protocol/codes.py, FAULTS",
        (f"{_HERE}hot_winding", "hwsim/test_axis_faults.py::test_torque_falls_below_the_winding_limit"),
    ),
    FaultRow(
        "bus-off", "32 transmit errors put a moving node off the bus: once, and again every millisecond",
        "once: it comes back by itself and the move goes on; again and again: it ramps down and holds; the tool counts "
        "repeats or says that nobody answers",
        "hwsim/can_bus.py, RECOVERY; " + _TIMEOUT,
        (
            f"{_HERE}bus_off_once",
            f"{_HERE}bus_off_for_good",
            "hwsim/test_can_bus.py::test_thirty_two_errors_put_a_station_off_the_bus_and_it_comes_back",
        ),
    ),
    FaultRow(
        "stuck sender that floods", "another station sends frames of the highest priority without a pause",
        "nothing of ours gets through, a stop neither: the axis misses its owner, ramps down and holds; the tool says "
        "that foreign frames came; afterwards the same link goes on. A flood of the lowest priority changes nothing",
        _TIMEOUT, (f"{_HERE}stuck_sender_that_floods", f"{_HERE}a_flood_of_low_priority_does_no_harm"),
    ),
    FaultRow(
        "clock drift", "the node's clock runs 5 % fast for ownership, 100 ppm fast for a recording",
        "ownership is kept; the times of a take follow our clock without a jump",
        "tools/link.py, keep-alives at a third of the time-out",
        (f"{_HERE}clock_drift", f"{_RECORD}drifting_clocks_do_not_tear_the_times"),
    ),
    FaultRow(
        "duplicated addresses", "two nodes use one address",
        "both are named and neither is driven; the one that hears the other announce itself steps aside and stops",
        "protocol/codes.py, address-taken; tools/link.py, clashes",
        (
            "tools/test_link.py::test_two_nodes_at_one_address_are_named_and_not_driven",
            "hwsim/test_bus_rig.py::test_a_stored_address_that_conflicts_is_seen_and_mended",
            "hwsim/test_node_address.py::test_a_node_put_out_of_its_address_stops",
        ),
    ),
    FaultRow(
        "another tool on the bus", "a second control wants a moving axis: it asks, it stops, it forces",
        "it is refused and told who owns it; its stop counts; forced, the motion ramps down first, there is one owner, "
        "and the first control is told who has it",
        "messages.py, take and stop", (f"{_HERE}another_tool_on_the_bus",),
    ),
    FaultRow(
        "full disk while recording", "the disk takes no more bytes in the middle of a take",
        "the take ends with a sentence and keeps what was written; the motors go on",
        "tools/takes/writer.py",
        (
            f"{_RECORD}a_full_disk_stops_the_take_and_not_the_motors",
            "tools/test_takes_file.py::test_a_full_disk_keeps_what_is_written",
        ),
    ),
    FaultRow(
        "adapter removed", "the port goes away, and comes back or does not; its driver fails in any way",
        "the tool says so, tries again for some time, then says what to check; a take that ran is whole; the motors "
        "miss their owner as above",
        "tools/transports.py",
        (
            f"{_WIRES}a_pty_whose_far_end_goes_away", f"{_WIRES}a_failing_driver_gives_one_sentence_and_nothing_else",
            f"{_RECORD}a_broken_link_leaves_a_whole_take",
        ),
    ),
)  # fmt: skip


def main() -> int:
    """Print the table and run its tests."""
    import pytest

    for row in FAULTS_TABLE:
        print(f"{row.name}\n  injected: {row.injected}\n  promised: {row.promised}\n  stands in: {row.stands}")
        for test in row.tests:
            print(f"  test:     tests/{test}")
    print(f"{len(FAULTS_TABLE)} faults")
    names = dict.fromkeys(test for row in FAULTS_TABLE for test in row.tests)
    return int(pytest.main(["-q", *(str(TESTS / name) for name in names)]))


if __name__ == "__main__":
    sys.exit(main())
