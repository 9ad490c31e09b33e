"""The verdict: may this machine's firmware be updated, and what still stands in the way?

Read this package as the trade's rule book: one module per group of checks, one small function per
check, listed in `CHECKS` in the order in which a technician would ask.

- `assess` is pure and total: any stored report gives a verdict, never an exception.
- The outcome follows from the answers alone (`outcome`).
- Making a fact worse, other than the need, never makes the outcome better.
- A verdict is never `clear` on missing or old evidence.

Flashworthy writes no firmware. The maker's own instructions, local rules and licensed practice
outrank everything said here.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import datetime

from flashworthy_common.need import Need
from flashworthy_common.policy import Policy
from flashworthy_common.readiness import (
    evidence,
    need,
    path,
    people,
    power,
    prerequisites,
    protection,
    scope,
    way_back,
)
from flashworthy_common.readiness.outcome import Outcome, outcome_of
from flashworthy_common.readiness.question import (
    Answer,
    Case,
    Check,
    Machine,
    Moment,
    Who,
)

__all__ = [
    "CHECKS",
    "RULES_VERSION",
    "Answer",
    "Check",
    "Machine",
    "Moment",
    "Outcome",
    "Verdict",
    "Who",
    "assess",
    "assess_in_brief",
]

RULES_VERSION = 1  # counts up whenever a check or the outcome may come out differently

WHETHER_TO_GO = (*scope.CHECKS, *need.CHECKS)  # some answers of theirs leave nothing to ask
BEFORE_GOING = (
    *path.CHECKS,
    *prerequisites.CHECKS,
    *power.CHECKS,
    *way_back.CHECKS,
    *protection.CHECKS,
    *people.CHECKS,
    *evidence.CHECKS,
)
CHECKS = (*WHETHER_TO_GO, *BEFORE_GOING)


@dataclass(slots=True, kw_only=True)
class Verdict:
    """The outcome for one machine at one moment, with all its checks."""

    outcome: Outcome
    moment: Moment
    assessed_at: datetime
    holds_until: datetime | None  # from then on the answer may be another; none: until news
    machine: str
    place: str
    need: Need
    checks: tuple[Check, ...]
    rules_version: int = RULES_VERSION

    def answered(self, *answers: Answer) -> tuple[Check, ...]:
        return tuple([check for check in self.checks if check.answer in answers])


def assess(machine: Machine, need: Need, policy: Policy, moment: Moment, now: datetime) -> Verdict:
    """The verdict for one machine at one moment.

    Args:
        need: of the machine's combination.
        now: an aware time.
    """
    case = Case(machine, need, policy, moment, now)
    return _verdict(case, _ask(CHECKS, case))


def assess_in_brief(
    machine: Machine, need: Need, policy: Policy, moment: Moment, now: datetime
) -> Verdict:
    """The same outcome, asking no more than it takes: a machine to be left alone is asked no more.

    So nothing else about it makes the verdict end, and most machines of a fleet are such.
    """
    case = Case(machine, need, policy, moment, now)
    checks = _ask(WHETHER_TO_GO, case)
    if outcome_of(checks) not in _NOT_GOING:
        checks += _ask(BEFORE_GOING, case)
    return _verdict(case, checks)


_NOT_GOING = (Outcome.LEAVE, Outcome.UNDECIDED)


def _ask(asked: Iterable[Callable[[Case], Check | None]], case: Case) -> list[Check]:
    return [answer for ask in asked if (answer := ask(case)) is not None]


def _verdict(case: Case, checks: list[Check]) -> Verdict:
    return Verdict(
        outcome=outcome_of(checks),
        moment=case.moment,
        assessed_at=case.now,
        holds_until=min([c.holds_until for c in checks if c.holds_until], default=None),
        machine=case.machine.name,
        place=case.machine.place,
        need=case.need,
        checks=tuple(checks),
    )
