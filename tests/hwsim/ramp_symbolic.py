"""Runs Ringlet's own integer code on symbols: every path is walked, every condition asked of z3. For prove_ramp.py.

`Num` stands for any number of a path. A comparison becomes a fork, unless the path so far decides it. A division
becomes the quotient and remainder of Euclid: one of the whole numbers that the caller expects (`expect`), where its
remainder lies in 0..divisor-1, so that it is the one; or fresh symbols, the same for the same operands. Numbers are
reals, which holds for whole numbers all the more; what needs wholeness enters by the caller's cases.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

import z3

TIMEOUT = 20_000  # ms for one question


class NotProved(AssertionError):
    """A claim that does not hold on a path, or that z3 could not decide."""


class Path:
    """One way through the code: what is assumed, and which way each fork was taken."""

    def __init__(self, forks: list[bool]) -> None:
        self.facts: list[Any] = []
        self.forks, self.taken = forks, 0
        self.open: list[list[bool]] = []
        self.expected: list[tuple[Num, str]] = []
        self.divided: dict[tuple[str, str], tuple[Num, Num]] = {}
        self.questions = 0

    def holds(self, condition: Any) -> bool:
        """Whether it follows from the path. An undecided question counts as no."""
        self.questions += 1
        condition = z3.simplify(condition, som=True)
        if z3.is_true(condition):
            return True
        solver = z3.Solver()
        solver.set("timeout", TIMEOUT)
        solver.add(*self.facts, z3.Not(condition))
        return bool(solver.check() == z3.unsat)

    def branch(self, condition: Any) -> bool:
        if self.taken < len(self.forks):
            way = self.forks[self.taken]
        elif self.holds(condition):
            return self._record(True)
        elif self.holds(z3.Not(condition)):
            return self._record(False)
        else:
            way = True
            self.open.append([*self.forks, False])
        if self.taken == len(self.forks):
            self.forks.append(way)
        self.taken += 1
        self.facts.append(condition if way else z3.Not(condition))
        return way

    def _record(self, way: bool) -> bool:
        # Decided without a fork: remembered all the same, so that a replay takes the same steps.
        self.forks.append(way)
        self.taken += 1
        return way


_path: Path | None = None


def here() -> Path:
    assert _path is not None, "symbols live on a path only: see `every_path`"
    return _path


def _term(value: Num | int) -> Any:
    return value.term if isinstance(value, Num) else z3.RealVal(value)


class Truth:
    """A condition; asked for its truth, it forks."""

    def __init__(self, term: Any) -> None:
        self.term = term

    def __bool__(self) -> bool:
        return here().branch(self.term)

    def __sub__(self, other: Truth) -> Num:
        return Num(z3.If(self.term, 1.0, 0.0) - z3.If(other.term, 1.0, 0.0))


class Num:
    """Any number."""

    def __init__(self, term: Any) -> None:
        self.term = z3.simplify(term, som=True)

    def __add__(self, other: Num | int) -> Num:
        return Num(self.term + _term(other))

    def __radd__(self, other: int) -> Num:
        return Num(_term(other) + self.term)

    def __sub__(self, other: Num | int) -> Num:
        return Num(self.term - _term(other))

    def __rsub__(self, other: int) -> Num:
        return Num(_term(other) - self.term)

    def __mul__(self, other: Num | int) -> Num:
        return Num(self.term * _term(other))

    __rmul__ = __mul__

    def __neg__(self) -> Num:
        return Num(-self.term)

    def __lt__(self, other: Num | int) -> Truth:
        return Truth(self.term < _term(other))

    def __le__(self, other: Num | int) -> Truth:
        return Truth(self.term <= _term(other))

    def __gt__(self, other: Num | int) -> Truth:
        return Truth(self.term > _term(other))

    def __ge__(self, other: Num | int) -> Truth:
        return Truth(self.term >= _term(other))

    def __eq__(self, other: object) -> Truth:  # type: ignore[override]
        assert isinstance(other, Num | int)
        return Truth(self.term == _term(other))

    def __ne__(self, other: object) -> Truth:  # type: ignore[override]
        assert isinstance(other, Num | int)
        return Truth(self.term != _term(other))

    __hash__ = None  # type: ignore[assignment]

    def __divmod__(self, other: Num | int) -> tuple[Num, Num]:
        path, by = here(), other if isinstance(other, Num) else Num(_term(other))
        key = (str(self.term), str(by.term))
        if key not in path.divided:
            found = [(quotient, self - quotient * by) for quotient, divisor in path.expected if divisor == key[1]]
            # Those that are certain first, then those that are possible: they fork.
            for ask in (path.holds, path.branch):
                for quotient, left in found:
                    if key not in path.divided and ask(z3.And(left.term >= 0, left.term < by.term)):
                        path.divided[key] = (quotient, left)
            if key not in path.divided:
                quotient, left = fresh("quotient"), fresh("remainder")
                assume(left >= 0, left < by, self == quotient * by + left)
                assume_if(self >= 0, quotient >= 0)
                path.divided[key] = (quotient, left)
        return path.divided[key]

    def __floordiv__(self, other: Num | int) -> Num:
        return divmod(self, other)[0]

    def __rshift__(self, bits: int) -> Num:
        return self // (1 << bits)

    def __mod__(self, other: Num | int) -> Num:
        return divmod(self, other)[1]


_count = 0


def fresh(name: str) -> Num:
    global _count
    _count += 1
    return Num(z3.Real(f"{name}!{_count}"))


def assume(*conditions: Truth) -> None:
    here().facts += [condition.term for condition in conditions]


def assume_if(condition: Truth, then: Truth) -> None:
    here().facts.append(z3.Implies(condition.term, then.term))


def expect(by: Num, *quotients: Num) -> None:
    """Whole numbers that a division by this divisor may give."""
    here().expected += [(quotient, str(by.term)) for quotient in quotients]


def prove(condition: Truth | bool, claim: str) -> None:
    """Raises NotProved unless the condition follows on this path."""
    if condition is True:
        return
    if condition is False or not here().holds(condition.term):
        raise NotProved(claim)


def either(*conditions: Truth) -> Truth:
    return Truth(z3.Or(*(condition.term for condition in conditions)))


def least(*values: Num | int) -> Num:
    found = _term(values[0])
    for value in values[1:]:
        found = z3.If(_term(value) < found, _term(value), found)
    return Num(found)


def greatest(*values: Num | int) -> Num:
    found = _term(values[0])
    for value in values[1:]:
        found = z3.If(_term(value) > found, _term(value), found)
    return Num(found)


def every_path(story: Callable[[], None]) -> tuple[int, int]:
    """Run a story along each of its paths. Returns how many there were and how many questions were asked of z3."""
    global _path, _count
    todo: list[list[bool]] = [[]]
    paths = questions = 0
    while todo:
        _path, _count = Path(todo.pop()), 0
        try:
            story()
        except NotProved:
            raise
        except AssertionError as raised:  # the code's own: it may stand on paths that nothing can take
            if not _path.holds(z3.BoolVal(False)):
                raise NotProved(f"the code raises {raised!r}") from raised
        finally:
            todo += _path.open
            paths, questions = paths + 1, questions + _path.questions
            _path = None
    return paths, questions


@contextmanager
def replaced(module: Any, **names: Any) -> Iterator[None]:
    """Names of a module stand for something else inside the block; builtins too."""
    missing = object()
    kept = {name: module.__dict__.get(name, missing) for name in names}
    module.__dict__.update(names)
    try:
        yield
    finally:
        for name, value in kept.items():
            if value is missing:
                del module.__dict__[name]
            else:
                module.__dict__[name] = value
