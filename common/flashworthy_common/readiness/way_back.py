"""What if it goes wrong?

- A maker that forbids going back is common for security releases. Then a way of recovery is
  needed, or a person's acceptance that there is none; its absence is the `stop`.
- The floor after the update counts, not today's.
- The package of the running version is kept before it is needed: its maker may no longer offer it.
- Settings that the flash resets are written down before.
"""

from datetime import datetime

from flashworthy_common.confirmations import Confirmed
from flashworthy_common.readiness.question import Answer, Case, Check, Question, Who
from flashworthy_common.values import Unknown


def going_back(case: Case) -> Check | None:
    way, target = case.need.way_back, case.need.target
    if way is None or target is None:
        return None
    question = Question("way_back.going_back", "going back")
    if way.allowed is True:
        return question.passes(way.says)
    if target.recovery:
        return question.passes(f"{way.says}; recovery: {target.recovery}")
    confirmed_until = _accepted_until(case, target.version_text)
    if confirmed_until:
        return question.passes(f"{way.says}; accepted by a person", holds_until=confirmed_until)
    limit = "a way of recovery, or a person's acceptance that there is no way back"
    if isinstance(way.allowed, Unknown):
        return question.unknown(
            way.says,
            limit=limit,
            remedy="look up whether the maker allows going back, and how it recovers",
            who=Who.DESK,
        )
    return question.answered(
        Answer.STOP,
        way.says,
        limit=limit,
        remedy="find out how it recovers, or accept in writing that there is no way back",
        who=Who.DESK,
    )


def package(case: Case) -> Check | None:
    way = case.need.way_back
    if way is None or not way.package_of:
        return None
    question = Question("way_back.package", "package of the running version")
    if way.package_of in case.machine.packages:
        return question.passes(f"{way.package_of} is kept")
    return question.answered(
        Answer.FIX,
        f"no package of {way.package_of} is kept",
        limit="kept and intact",
        remedy=f"keep the package of {way.package_of}",
        who=Who.DESK,
    )


def settings(case: Case) -> Check | None:
    running = case.need.running
    resetting = [step.version_text for step in case.need.steps if step.resets_settings]
    if not resetting or isinstance(running, Unknown):
        return None
    question = Question("way_back.settings", "settings")
    says = f"{', '.join(resetting)} resets them"
    confirmed_until = case.confirmed_until(Confirmed.SETTINGS_WRITTEN_DOWN, running)
    if confirmed_until:
        return question.passes(f"{says}; they are written down", holds_until=confirmed_until)
    return question.answered(
        case.blocks_on_the_spot,
        says,
        limit="written down before",
        remedy="write its firmware settings down",
        who=Who.SPOT,
    )


def _accepted_until(case: Case, version_text: str) -> datetime | None:
    """Until when a way of recovery is known, or its absence accepted, by a person's word."""
    words = (Confirmed.RECOVERY_ROUTE, Confirmed.NO_WAY_BACK)
    ends = [end for what in words if (end := case.confirmed_until(what, version_text))]
    return max(ends, default=None)


CHECKS = (going_back, package, settings)
