"""Whose work is in the way?

- Nobody is thrown out: agree on a time. Who was informed knows; on the spot they can be asked.
- Someone working from afar would lose the machine in mid-work, and may be the one who restarts it.
- A session without input for long still holds unsaved work: it counts.
"""

from flashworthy_common.confirmations import Confirmed
from flashworthy_common.readiness.question import Answer, Case, Check, Question, Who
from flashworthy_common.report import Session
from flashworthy_common.values import Unknown


def sessions(case: Case) -> Check:
    section = case.report.people
    question = Question("people.sessions", "who is using it", section)
    if isinstance(section.sessions, Unknown):
        return question.unknown(
            section.sessions.because, remedy="ask who is using it; have work saved and closed"
        )
    local = section.sessions and [each for each in section.sessions if each.remote is not True]
    if not local:
        return question.passes("nobody at the machine")
    target = case.need.target
    informed_until = target and case.confirmed_until(Confirmed.USER_INFORMED, target.version_text)
    if informed_until:
        return question.passes(f"{_names(local)}: informed", holds_until=informed_until)
    return question.answered(
        Answer.FIX,
        _names(local),
        limit="informed, work saved, programs closed",
        remedy="agree on a time; have work saved and closed",
        who=Who.USER,
    )


def remote(case: Case) -> Check | None:
    section = case.report.people
    if isinstance(section.sessions, Unknown):
        return None
    question = Question("people.remote", "sessions from afar", section)
    found = section.sessions and [each for each in section.sessions if each.remote is True]
    if not found:
        return question.passes("none")
    return question.answered(
        case.blocks_on_the_spot,
        _names(found),
        limit="none may be connected",
        remedy="have them end their session",
        who=Who.USER,
    )


def _names(found: list[Session]) -> str:
    return ", ".join(dict.fromkeys(each.user for each in found))


CHECKS = (sessions, remote)
