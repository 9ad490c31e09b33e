"""How a verdict reads, wherever it stands: one presenter for terminal, page, API and paper.

A sentence first, then why and by which path, then what stands in the way with its remedy, and
last how much is well. Ages are told from `now`: a kept verdict never looks fresher than it is.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from flashworthy_common.need import Need
from flashworthy_common.readiness import Answer, Check, Moment, Outcome, Verdict
from flashworthy_common.readiness.outcome import NEED, NOTHING_TO_FLASH
from flashworthy_common.releases import Way
from flashworthy_common.values import Unknown, to_json

LABEL_COLUMNS = 10
MORE = "more"  # the label of how much is not shown
MOST_REMEDIES = 3  # in the sentence; the list below it has them all

DECIDE_AGAINST = {
    Outcome.LEAVE: NEED | NOTHING_TO_FLASH,
    Outcome.UNDECIDED: NEED,
}

_WAYS = {
    Way.INSIDE_OS: "inside the operating system",
    Way.CAPSULE: "as a UEFI capsule",
    Way.BOOT_MEDIA: "from boot media",
    Way.MANAGEMENT_CONTROLLER: "through the management controller",
}
_CAUTION = (
    "Save all work and close every program first. Never cut power, close the lid or let it sleep "
    "during a flash; follow the maker's notes."
)
_TO_BE_FLASHED = (Outcome.CLEAR, Outcome.PREPARE, Outcome.HOLD)


def sentence(verdict: Verdict) -> str:
    """What to do, in a sentence or two."""
    need = verdict.need
    target = need.target.version_text if need.target else "the target"
    match verdict.outcome:
        case Outcome.CLEAR if verdict.moment is Moment.DESK:
            return f"Go and install {target}; look again on the spot. {need.flashes_in_words}"
        case Outcome.CLEAR:
            return f"Install {target} now. {need.flashes_in_words}"
        case Outcome.PREPARE:
            return f"{_orders(_open_answers(verdict))} {need.flashes_in_words}"
        case Outcome.HOLD:
            stops = verdict.answered(Answer.STOP)
            return f"Do not flash it as things stand: {_facts(stops)}. {_orders(stops)}".rstrip()
        case Outcome.LEAVE:
            return f"Leave it alone: {_ground(verdict)}."
        case Outcome.UNDECIDED:
            return f"Somebody must look first: {_ground(verdict)}."


@dataclass(frozen=True, slots=True)
class Part:
    """What stands beside one label of a verdict, such as `why` or `fix`."""

    label: str
    texts: tuple[str, ...]
    answer: Answer | None = None  # whose check it tells of; none: of no check


def verdict_parts(verdict: Verdict, *, now: datetime, show_all: bool = False) -> list[Part]:
    """What a verdict says below its sentence, in the order in which it is read.

    Args:
        show_all: also the checks that pass, each as its own part.
    """
    shown = verdict.checks if show_all else _worth_showing(verdict)
    checks = [
        Part(answer.value, tuple(_check_lines(check, now)), answer)
        for answer in (Answer.STOP, Answer.FIX, Answer.UNKNOWN, Answer.PASS)
        for check in shown
        if check.answer is answer
    ]
    parts = [
        Part("why", tuple(_why(verdict.need))),
        Part("path", tuple(_path(verdict.need))),
        Part("seen here", tuple(_observation(verdict.need))),
        *checks,
        Part("way back", tuple(_way_back(verdict))),
        Part("bring", tuple(_to_bring(verdict))),
        Part(MORE, tuple(_left_out(verdict, shown))),
    ]
    return [part for part in parts if part.texts]


def verdict_to_json(verdict: Verdict) -> dict[str, Any]:
    """The verdict for programs: all of it, with its sentence and the priority of its need."""
    priority = verdict.need.priority
    return {
        **to_json(verdict),
        "sentence": sentence(verdict),
        "priority": priority.value if priority else None,
    }


def verdict_lines(verdict: Verdict, *, now: datetime, show_all: bool = False) -> list[str]:
    """The verdict as lines of text.

    Args:
        show_all: also the checks that pass, each on its line.
    """
    where = f"    {verdict.place}" if verdict.place else ""
    lines = [f"{verdict.outcome.value.upper():<{LABEL_COLUMNS}}{verdict.machine}{where}"]
    lines += [sentence(verdict), ""]
    for part in verdict_parts(verdict, now=now, show_all=show_all):
        how = " (each of them: --all)" if part.label == MORE else ""
        lines += _labelled(part.label, (f"{text}{how}" for text in part.texts))
    return lines + closing(verdict)


def _worth_showing(verdict: Verdict) -> tuple[Check, ...]:
    """The answers to act on; of a machine not to be visited, the one that decided."""
    if verdict.outcome in (Outcome.LEAVE, Outcome.UNDECIDED):
        return _deciding(verdict)
    return verdict.answered(Answer.STOP) + _open_answers(verdict)


def _open_answers(verdict: Verdict) -> tuple[Check, ...]:
    return verdict.answered(Answer.FIX) + verdict.answered(Answer.UNKNOWN)


def _deciding(verdict: Verdict) -> tuple[Check, ...]:
    """The answer by which a machine is left alone or undecided.

    None where a server with newer rules decided by a check that is unknown here.
    """
    answer = Answer.STOP if verdict.outcome is Outcome.LEAVE else Answer.UNKNOWN
    codes = DECIDE_AGAINST[verdict.outcome]
    return tuple(check for check in verdict.answered(answer) if check.code in codes)[:1]


def _ground(verdict: Verdict) -> str:
    deciding = _deciding(verdict)
    return deciding[0].says if deciding else verdict.need.because


def _why(need: Need) -> list[str]:
    lines = []
    if need.target:
        for reason in need.reasons:
            ids = f" ({', '.join(reason.advisories)})" if reason.advisories else ""
            weight = f"priority {reason.priority.value} ({reason.because})"
            lines.append(f"{reason.says}{ids}, {weight}: {reason.source}")
    return [*lines, f"standing {need.standing.value}: {need.because}"]


def _path(need: Need) -> list[str]:
    if not need.path or not need.target:
        return []
    ways = " or ".join(_WAYS[way] for way in need.target.ways)
    return [" -> ".join(need.path) + (f", {ways}" if ways else "")]


def _observation(need: Need) -> list[str]:
    seen = need.newest_seen
    if seen is None or need.target is not None:
        return []
    machines = "1 machine" if seen.machines == 1 else f"{seen.machines} machines"
    since = f" since {seen.since.date()}" if seen.since else ""
    return [f"{seen.version_text} on {machines} of this model{since}: an observation, not a target"]


def _way_back(verdict: Verdict) -> list[str]:
    way = verdict.need.way_back
    is_worth_it = way and verdict.outcome in _TO_BE_FLASHED
    return [way.says] if way and is_worth_it else []


def _check_lines(check: Check, now: datetime) -> list[str]:
    line = f"{check.title}: {check.says}"
    if not isinstance(check.seen_at, Unknown):
        line += f", seen {age_in_words(now, check.seen_at)}"
    if check.limit:
        line += f"; {check.limit}"
    if not check.remedy:
        return [line]
    who = f"{check.who.value}: " if check.who else ""
    return [line, f"-> {who}{check.remedy}"]


def _to_bring(verdict: Verdict) -> list[str]:
    if verdict.outcome not in _TO_BE_FLASHED:
        return []
    things = dict.fromkeys(check.bring for check in verdict.checks if check.bring)
    return [", ".join(things)] if things else []


def _left_out(verdict: Verdict, shown: tuple[Check, ...]) -> list[str]:
    passes = len(verdict.answered(Answer.PASS))
    others = len(verdict.checks) - len(shown) - passes
    if len(shown) == len(verdict.checks):
        return []
    counts = f"{passes} checks pass" + (f", {others} do not" if others else "")
    return [counts]


def closing(verdict: Verdict) -> list[str]:
    """What stands below a verdict that may lead to a flash."""
    if verdict.outcome not in (Outcome.CLEAR, Outcome.PREPARE):
        return []
    if verdict.moment is Moment.DESK:
        return ["look again on the spot before starting: power and people change"]
    return [_CAUTION]


def _labelled(label: str, texts: Iterable[str]) -> list[str]:
    labels = [label]
    return [f"{labels.pop() if labels else '':<{LABEL_COLUMNS}}{text}" for text in texts]


def _orders(checks: tuple[Check, ...]) -> str:
    """What is to be done, as one sentence; a thing that two checks ask for is said once."""
    remedies = list(dict.fromkeys(check.remedy for check in checks if check.remedy))
    if not remedies:
        return ""
    shown, rest = remedies[:MOST_REMEDIES], remedies[MOST_REMEDIES:]
    text = "; ".join(shown)
    more = f"; and {len(rest)} more" if rest else ""
    return f"{text[:1].upper()}{text[1:]}{more}."


def _facts(checks: tuple[Check, ...]) -> str:
    return "; ".join(f"{check.title}: {check.says}" for check in checks)


def age_in_words(now: datetime, then: datetime) -> str:
    """How long before `now` something was, to a person's precision."""
    seconds = (now - then).total_seconds()
    if seconds < 0:
        return "in the future by this clock"
    for size, unit in ((86400, "days"), (3600, "hours"), (60, "minutes")):
        if seconds >= 2 * size:
            return f"{seconds / size:.0f} {unit} ago"
    return "just now" if seconds < 60 else "a minute ago"
