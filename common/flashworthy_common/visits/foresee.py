"""The verdict of a machine as it will probably be at a later time.

- What a person said, a review, an exception and the age of a release are judged as of then: each
  has a day on which it begins or ceases to count.
- A machine whose agent reports by itself will have reported again by then: what it showed last is
  taken as if it were seen as shortly before the visit as it was before now. One that does not
  report by itself, or is late already, keeps the age that its evidence has.
- It stays a forecast. Power and people change by the minute; the look on the spot decides.
"""

from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any

from flashworthy_common.need import Need
from flashworthy_common.policy import Policy
from flashworthy_common.readiness import Answer, Check, Machine, Moment, Outcome, Verdict, assess
from flashworthy_common.report import SECTIONS, Report, Section, Source
from flashworthy_common.values import Unknown


@dataclass(frozen=True, slots=True)
class Foreseen:
    """The verdict at the desk as it will probably be, and how it differs from that of now."""

    verdict: Verdict
    outcome_now: Outcome
    holds_until: datetime | None  # that of now; none: until something new is known
    changes: tuple[str, ...] = ()  # what will be answered otherwise than now, in words

    @property
    def outcome(self) -> Outcome:
        return self.verdict.outcome


def foresee(
    machine: Machine, need: Need, policy: Policy, *, now: datetime, at: datetime
) -> Foreseen:
    """The verdict at the desk as it will probably be at a time that is not before now."""
    today = assess(machine, need, policy, Moment.DESK, now)
    at = max(at, now)
    later = replace(machine, report=_as_of(machine.report, policy, now, at))
    then = assess(later, need, policy, Moment.DESK, at)
    return Foreseen(then, today.outcome, today.holds_until, tuple(_changes(today, then)))


def _as_of(report: Report, policy: Policy, now: datetime, at: datetime) -> Report:
    """The newest report that the machine will have sent by then."""
    age_seconds = (now - report.taken_at).total_seconds()
    if report.source is not Source.AGENT or age_seconds > policy.desk_report_age_seconds:
        return report
    later = at - now
    sections: dict[str, Any] = {name: _later(getattr(report, name), later) for name in SECTIONS}
    return replace(report, taken_at=report.taken_at + later, **sections)


def _later(section: Section, later: timedelta) -> Section:
    if isinstance(section.seen_at, Unknown):
        return section
    return replace(section, seen_at=section.seen_at + later)


def _changes(today: Verdict, then: Verdict) -> list[str]:
    before = {check.code: check.answer for check in today.checks}
    return [
        f"{check.title}: {check.says}"
        for check in then.checks
        if before.get(check.code) is not check.answer and _matters(check, before)
    ]


def _matters(check: Check, before: dict[str, Answer]) -> bool:
    """A question that does not arise now and will pass then is no news."""
    return check.code in before or check.answer is not Answer.PASS
