"""What can go wrong for a person at the bench: one plain sentence and the exit code of the command line.

Exit codes: 0 done, 1 the device failed the check, 2 bad usage or input, 3 no link or no answer.
"""

from __future__ import annotations

# The tables of the protocol are loaded where a sentence needs them: every command loads this file, --help too.


class RingletError(Exception):
    """One sentence that says what was wrong and what to do."""

    exit_code = 1


class UsageProblem(RingletError):
    """Something that a person typed cannot be used."""

    exit_code = 2


class LinkProblem(RingletError):
    """The link cannot be opened, broke, or leads to something that must not be driven over it."""

    exit_code = 3


class NoAnswer(RingletError):
    """A request was not answered."""

    exit_code = 3


class WrongVersion(RingletError):
    """A node speaks another major version: it is shown and not driven."""


class CheckFailed(RingletError):
    """The device did not do what was asked, or failed a check."""


class StopHeard(RingletError):
    """Another control has sent a stop: what was under way ends, and nothing more is started."""


class DeviceRefused(RingletError):
    """A node refused a request; nothing changed on it.

    `code` is the refusal, `item` the offending item, `of` the name of the request's kind.
    """

    def __init__(self, code: int, item: int, of: str, *, node: int, axis: int) -> None:
        from ringlet.protocol.header import ALL_AXES

        self.code, self.item, self.of, self.node, self.axis = code, item, of, node, axis
        where = f"node {node}" if axis == ALL_AXES else f"axis {axis} of node {node}"
        super().__init__(f"{where} refused {of}: {_why(code, item, of)}")


def _why(code: int, item: int, of: str) -> str:
    from ringlet.protocol.codes import REFUSALS, Refusal, names
    from ringlet.protocol.params import BY_ID
    from ringlet.protocol.wire import KINDS

    if code not in set(Refusal):
        return f"code {code}, item {item}, which this version does not know"
    refusal = Refusal(code)
    told = REFUSALS[refusal][0]
    if refusal in (Refusal.OWNED, Refusal.NOT_OWNER):
        return f"{told} (control {item} owns it)" if item else told
    if refusal is Refusal.WRONG_STATE:
        return f"{told} ({names('state').get(item, item)})"
    if refusal is Refusal.FAULTED:
        return f"{told} ({names('fault').get(item, item)})"
    if refusal is Refusal.PAST_TRAVEL:
        return f"{told} (the {'upper' if item else 'lower'} one)"
    if refusal in (Refusal.UNKNOWN_PARAMETER, Refusal.READ_ONLY) or (of == "set" and refusal is Refusal.OUT_OF_RANGE):
        return f"{told} ({BY_ID[item].name if item in BY_ID else item})"
    if refusal is Refusal.OUT_OF_RANGE:
        fields = KINDS.by_name[of].fields
        return f"{told} ({fields[item].name if item < len(fields) else item})"
    if refusal in (Refusal.NOT_CALIBRATED, Refusal.STORAGE_FAILED, Refusal.UNKNOWN_AXIS):
        return told  # which axis is said before it
    return f"{told} ({item})"


def fault_text(fault: int) -> str:
    """Name and meaning of a fault, for sentences."""
    from ringlet.protocol.codes import FAULTS, Fault, names

    return f"{names('fault')[fault]}: {FAULTS[Fault(fault)].doc}" if fault in set(Fault) else f"fault {fault}"
