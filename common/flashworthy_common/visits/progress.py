"""What came of each machine of a visit, and how the visit stands.

- The machine's own reports decide: what came of its flash, or that it runs the target although
  nobody noted a flash.
- A person's *could not, because* decides where no flash was started, or where the machine has
  reported since it was started and nothing came of it. It never stands against a report.
- A machine that was flashed and stays silent is not decided: it may not have come back.
- A visit is over when all its machines are decided, or when a person ends it and says why.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from enum import Enum

from flashworthy_common.aftermath import Aftermath, Result
from flashworthy_common.readiness import Outcome


class Progress(Enum):
    """Of one machine at one visit."""

    WAITS = "waits"  # nothing was begun
    UNDER_WAY = "under-way"  # a flash was started, and its time is not over
    NEXT_STEP = "next-step"  # a stepping stone runs: the next flash is due
    SILENT = "silent"  # no restart was seen since the flash, for longer than policy allows
    DONE = "done"
    NOT_UPDATED = "not-updated"  # another version runs than the one that was meant
    COULD_NOT = "could-not"  # by a person's word
    LEFT_ALONE = "left-alone"  # nothing speaks for a flash


DECIDED = frozenset({Progress.DONE, Progress.NOT_UPDATED, Progress.COULD_NOT, Progress.LEFT_ALONE})
LEFT_OVER = frozenset(Progress) - {Progress.DONE, Progress.LEFT_ALONE}  # for the next visit

_OF_RESULT = {
    Result.DONE: Progress.DONE,
    Result.NEXT_STEP: Progress.NEXT_STEP,
    Result.UNCHANGED: Progress.NOT_UPDATED,
    Result.ANOTHER: Progress.NOT_UPDATED,
    Result.OLDER: Progress.NOT_UPDATED,
}


class Standing(Enum):
    """Of one visit."""

    PLANNED = "planned"
    UNDER_WAY = "under-way"  # its window has begun, or something was noted
    UNFINISHED = "unfinished"  # its window is over, and a machine is not decided
    CLOSED = "closed"
    CALLED_OFF = "called-off"


@dataclass(frozen=True, slots=True, kw_only=True)
class SeenFlash:
    """The flash of a machine that was started last during a visit."""

    to_text: str
    by: str
    started_at: datetime
    found: Aftermath | None  # none: nothing came of it yet
    alarm_at: datetime | None  # from when silence after it is an alarm; none: not waited for


@dataclass(frozen=True, slots=True)
class Word:
    """What a person noted, such as why it could not be done."""

    says: str
    by: str
    at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """Everything that is known of one machine since its visit was planned."""

    outcome: Outcome | None  # at the desk, now or when the visit was closed; none: no report
    running_text: str | None
    from_text: str | None  # what it ran when the visit was planned
    target_text: str | None  # that it should get
    reported_at: datetime | None = None
    flash: SeenFlash | None = None
    could_not: Word | None = None


@dataclass(frozen=True, slots=True)
class State:
    progress: Progress
    says: str = ""

    @property
    def is_decided(self) -> bool:
        return self.progress in DECIDED


def state_of(known: Evidence, now: datetime) -> State:
    """How one machine of a visit stands."""
    if known.flash is not None:
        return _after_flash(known, known.flash, now)
    if known.target_text and known.running_text == known.target_text != known.from_text:
        return State(Progress.DONE, f"runs {known.running_text}, though no flash was noted")
    if known.could_not is not None:
        return State(Progress.COULD_NOT, _told(known.could_not))
    if known.outcome is Outcome.LEAVE:
        return State(Progress.LEFT_ALONE, "nothing speaks for a flash")
    return State(Progress.WAITS)


def standing_of(
    states: Iterable[State],
    *,
    begins_at: datetime,
    ends_at: datetime,
    now: datetime,
    is_closed: bool = False,
    is_called_off: bool = False,
) -> Standing:
    """How a visit stands; all decided is not closed yet: that is noted once, with its time."""
    if is_called_off:
        return Standing.CALLED_OFF
    if is_closed:
        return Standing.CLOSED
    begun = {Progress.UNDER_WAY, Progress.NEXT_STEP, Progress.DONE, Progress.NOT_UPDATED}
    if now >= ends_at:
        return Standing.UNFINISHED
    if now >= begins_at or any(state.progress in begun for state in states):
        return Standing.UNDER_WAY
    return Standing.PLANNED


def is_over(states: Iterable[State], *, begins_at: datetime, now: datetime) -> bool:
    """Whether every machine is decided; never before the visit begins, but by what was done.

    A visit of nothing but machines to leave alone waits for its time: until then that may change.
    """
    found = list(states)
    acted = any(state.progress is not Progress.LEFT_ALONE for state in found)
    return all(state.is_decided for state in found) and (acted or now >= begins_at)


def _after_flash(known: Evidence, flash: SeenFlash, now: datetime) -> State:
    if flash.found is not None:
        return State(_OF_RESULT[flash.found.result], flash.found.says)
    word, reported_at = known.could_not, known.reported_at
    says = f"{flash.by} started {flash.to_text} at {flash.started_at:%Y-%m-%d %H:%M} UTC"
    if word and word.at >= flash.started_at and reported_at and reported_at > flash.started_at:
        return State(Progress.COULD_NOT, f"{_told(word)}; {says}, and nothing came of it")
    said = f"; {_told(word)}" if word and word.at >= flash.started_at else ""
    if flash.alarm_at and flash.alarm_at <= now:
        return State(Progress.SILENT, f"{says}, and no restart was seen since{said}")
    return State(Progress.UNDER_WAY, says + said)


def _told(word: Word) -> str:
    return f"{word.says} ({word.by})"
