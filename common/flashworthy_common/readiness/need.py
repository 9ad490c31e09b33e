"""Is there a sufficient reason, for a release that may be trusted?

- Nobody has looked is `unknown`: it is not the same as no reason.
- No sufficient reason is a `stop` of this group: it means *leave the machine alone*.
- An exception of the site covers a reason until its last day; it is told on every verdict.
- A high priority may waive the age of a release, never a `stop`.
"""

from datetime import UTC, datetime, time, timedelta
from functools import lru_cache

from flashworthy_common.exceptions import in_force
from flashworthy_common.need import Standing
from flashworthy_common.readiness.question import Answer, Case, Check, Question, Who
from flashworthy_common.reasons import Priority, highest
from flashworthy_common.releases import Release
from flashworthy_common.values import Unknown


def readable(case: Case) -> Check:
    section = case.report.firmware
    question = Question("need.readable", "running firmware", section)
    if isinstance(case.need.running, Unknown):
        return question.unknown(
            f"its firmware version cannot be read: {case.need.running.because}",
            remedy="read maker, version and date on its setup screen",
        )
    if case.need.standing is Standing.UNREADABLE:
        return question.unknown(
            case.need.because,
            remedy="compare it with the maker's list by eye",
            who=Who.DESK,
        )
    date = section.date_text
    dated = "" if isinstance(date, Unknown) else f" of {date}"
    return question.passes(f"runs {case.need.running}{dated}")


def reviewed(case: Case) -> Check:
    question = Question("need.reviewed", "comparison")
    remedy = "read the maker's page for this model and record what it offers"
    review = case.need.review
    limit_seconds = case.policy.review_age_seconds
    limit = _at_most_old(limit_seconds)
    if review is None:
        return question.unknown(
            "nobody has compared it with the maker's releases yet", remedy=remedy, who=Who.DESK
        )
    says = case.need.review_in_words
    holds_until = case.fresh_until(review.reviewed_at, limit_seconds)
    if holds_until is None:
        return question.unknown(
            f"the last comparison is too old: {says}", limit=limit, remedy=remedy, who=Who.DESK
        )
    return question.passes(says, limit=limit, holds_until=holds_until)


def reason(case: Case) -> Check:
    question = Question("need.reason", "reason")
    least = case.policy.least_priority
    limit = f"needs a reason of priority {least.value} or above"
    target, priority = case.need.target, case.need.priority
    if target is None:
        return question.answered(Answer.STOP, case.need.because, limit=limit)
    if priority is None:
        says = f"{target.version_text} is newer, and newer is no reason"
        return question.answered(Answer.STOP, says, limit=limit)
    says = case.need.reasons_in_words
    if not priority.reaches(least):
        return question.answered(Answer.STOP, f"no reason that suffices: {says}", limit=limit)
    return question.passes(says, limit=limit)


def exception(case: Case) -> Check | None:
    holding = in_force(case.need.exceptions, case.now)
    if not holding:
        return None
    question = Question("need.exception", "exception")
    first = holding[0]
    says = f"by the site's own decision: {first.reason} ({first.owner}, until {first.until})"
    least, left = case.policy.least_priority, highest(case.need.reasons_left(case.now))
    if _reaches(case.need.priority, least) and not _reaches(left, least):
        return question.answered(Answer.STOP, says, holds_until=first.ends_at)
    return question.passes(f"told only: {says}", holds_until=first.ends_at)


def release_age(case: Case) -> Check | None:
    target, priority = case.need.target, case.need.priority
    if target is None or priority is None:
        return None
    question = Question("need.release_age", "age of the release")
    days = case.policy.release_age_seconds // 86400
    limit = _at_least_old(days, case.policy.waiving_priority)
    if priority.reaches(case.policy.waiving_priority):
        return question.passes(f"not waited for: priority {priority.value}", limit=limit)
    if target.released_on is None:
        return question.unknown(
            "its date is not recorded",
            limit=limit,
            remedy="look up when it was released",
            who=Who.DESK,
        )
    says = f"{target.version_text} is of {target.released_on}"
    old_enough_at = _old_enough_at(target, case)
    if old_enough_at and old_enough_at > case.now:
        return question.answered(
            Answer.FIX,
            says,
            limit=limit,
            remedy=f"wait until {old_enough_at.date()}",
            who=Who.DESK,
            holds_until=old_enough_at,
        )
    return question.passes(says, limit=limit)


# The same few limits of a site, again and again.


@lru_cache
def _at_most_old(seconds: int) -> str:
    return f"at most {seconds // 86400} days old"


@lru_cache
def _at_least_old(days: int, waiving: Priority) -> str:
    return f"at least {days} days, unless priority is {waiving.value}"


def _reaches(priority: Priority | None, least: Priority) -> bool:
    return priority is not None and priority.reaches(least)


def _old_enough_at(target: Release, case: Case) -> datetime | None:
    if target.released_on is None:
        return None
    released_at = datetime.combine(target.released_on, time(tzinfo=UTC))
    return released_at + timedelta(seconds=case.policy.release_age_seconds)


CHECKS = (readable, reviewed, reason, exception, release_age)
