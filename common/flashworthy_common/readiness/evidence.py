"""Is what the other checks rest on still true?

- At the desk, old evidence does not block: it says *look again on the spot*.
- On the spot it does: power and people change by the minute.
- A plan that expired, or that is for another version, supports nothing.
- An age is only as good as the clocks behind it. A person's word has neither clock nor probes.
"""

from datetime import datetime
from functools import lru_cache

from flashworthy_common.readiness.question import Answer, Case, Check, Question, Who
from flashworthy_common.report import Section, Source
from flashworthy_common.values import Maybe, Unknown

_PERSON = Source.PERSON


def report_age(case: Case) -> Check:
    question = Question("evidence.report_age", "age of the report")
    limit_seconds = (
        case.policy.spot_age_seconds if case.on_the_spot else case.policy.desk_report_age_seconds
    )
    return _recent(question, case, case.report.taken_at, limit_seconds)


def power_age(case: Case) -> Check:
    return _section_age(
        "evidence.power_age", "age of what was seen of power", case, case.report.power
    )


def people_age(case: Case) -> Check:
    return _section_age(
        "evidence.people_age", "age of what was seen of people", case, case.report.people
    )


def clock(case: Case) -> Check | None:
    if case.report.source is _PERSON:
        return None  # the server's own clock says when
    question = Question("evidence.clock", "clock of the machine")
    limit_seconds = case.policy.clock_difference_seconds
    limit = f"within {limit_seconds} s of the server's"
    difference = case.machine.clock_difference_seconds
    if isinstance(difference, Unknown):
        return question.unknown(difference.because, limit=limit, remedy="look at its clock")
    if abs(difference) <= limit_seconds:
        return question.passes(f"{abs(difference)} s off", limit=limit)
    return question.answered(
        Answer.FIX,
        f"{abs(difference)} s {'behind' if difference > 0 else 'ahead'}",
        limit=limit,
        remedy="set its clock, then look again",
        who=Who.SPOT,
    )


def plan(case: Case) -> Check | None:
    """Asked only where the agent judges by itself."""
    issued_at, expires_at = case.machine.plan_issued_at, case.machine.plan_expires_at
    if issued_at is None or expires_at is None:
        return None
    question = Question("evidence.plan", "plan of the server")
    says = f"without the server, by its plan of {issued_at:%Y-%m-%d %H:%M} UTC"
    running, planned = case.report.firmware.version_text, case.need.running
    if isinstance(running, str) and running != planned:
        says = f"{says}, which is for another running version than {running}"
    elif case.now < issued_at:
        says = f"{says}, which lies ahead of this clock"
    elif case.now < expires_at:
        return question.passes(says, holds_until=expires_at)
    else:
        says = f"{says}, which expired"
    return question.answered(
        Answer.STOP, says, remedy="reach the server and look again", who=Who.SPOT
    )


def probes(case: Case) -> Check | None:
    section = case.report.agent
    if case.report.source is _PERSON:
        return None
    question = Question("evidence.probes", "probes of the agent", section)
    if isinstance(section.probes, Unknown):
        return question.unknown(section.probes.because, remedy="look for yourself")
    failed = [f"{run.name}: {run.failure}" for run in section.probes if run.failure]
    if failed:
        return question.unknown("; ".join(failed), remedy="look for yourself at what they ask")
    return question.passes(f"{len(section.probes)} went well")


def _section_age(code: str, title: str, case: Case, section: Section) -> Check:
    question = Question(code, title, section)
    limit_seconds = (
        case.policy.spot_age_seconds if case.on_the_spot else case.policy.desk_power_age_seconds
    )
    return _recent(question, case, section.seen_at, limit_seconds)


def _recent(question: Question, case: Case, seen_at: Maybe[datetime], limit_seconds: int) -> Check:
    limit = _at_most(limit_seconds)
    if isinstance(seen_at, Unknown):
        return _too_old(question, case, f"not seen: {seen_at.because}", limit)
    holds_until = case.fresh_until(seen_at, limit_seconds)
    if holds_until is None:
        return _too_old(question, case, _span(case.age_seconds(seen_at)), limit)
    return question.passes("recent", limit=limit, holds_until=holds_until)


def _too_old(question: Question, case: Case, says: str, limit: str) -> Check:
    return question.answered(
        Answer.STOP if case.on_the_spot else Answer.UNKNOWN,
        says,
        limit=limit,
        remedy="look again on the spot",
        who=Who.SPOT,
    )


@lru_cache
def _at_most(limit_seconds: int) -> str:
    """The same few limits of the site's policy, again and again."""
    return f"at most {_span(limit_seconds)}"


def _span(seconds: float) -> str:
    for size, unit in ((86400, "days"), (3600, "hours"), (60, "minutes")):
        if seconds >= 2 * size:
            return f"{seconds / size:.0f} {unit}"
    return f"{seconds:.0f} seconds"


CHECKS = (report_age, power_age, people_age, clock, plan, probes)
