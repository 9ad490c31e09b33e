"""What a check is asked about, and what it answers.

A check is a function ``(case) -> Check | None``: pure, small, named like its code. It returns
none where the question does not arise on this machine. It never raises: a value that is missing
is an answer, `unknown`, with the reason.

`Case` offers the few judgements that many checks share, so that each reads as its rule.

None of them is frozen, though nothing ever changes one: every verdict makes some fifty of them, and
a frozen object costs five times as much to make.
"""

from dataclasses import dataclass, field
from datetime import datetime, timedelta
from enum import Enum
from functools import lru_cache

from flashworthy_common.chassis import Kind, kind_of
from flashworthy_common.confirmations import Confirmation, Confirmed
from flashworthy_common.need import Need
from flashworthy_common.policy import Policy
from flashworthy_common.releases import Release, Requirements
from flashworthy_common.report import Battery, Report, Section, Volume
from flashworthy_common.values import NOT_REPORTED, Maybe, Unknown
from flashworthy_common.volumes import sealed_volumes


class Moment(Enum):
    """From where the question is asked."""

    DESK = "desk"
    SPOT = "spot"


class Answer(Enum):
    PASS = "pass"  # noqa: S105  (an answer, not a secret)
    FIX = "fix"
    STOP = "stop"
    UNKNOWN = "unknown"


_OWN_RECORD = "the server's record"
_NO_REQUIREMENTS = Requirements()

# Looking up a member of an enumeration costs more than what is done with it here.
_PASS, _FIX, _STOP, _SPOT = Answer.PASS, Answer.FIX, Answer.STOP, Moment.SPOT


class Who(Enum):
    """Who can mend it."""

    DESK = "from the desk"
    SPOT = "on the spot"
    ADMINISTRATOR = "the site's administrator"
    USER = "whoever uses the machine"


@dataclass(slots=True)
class Check:
    """One question asked of a machine, with its answer."""

    code: str  # stable: group.name
    title: str  # what it is about, for people
    answer: Answer
    says: str  # the evidence and what follows from it, in words
    limit: str = ""  # what it was held against
    seen_at: Maybe[datetime] = NOT_REPORTED  # when the evidence was seen
    source: str = ""  # where it was seen
    remedy: str = ""  # what to do, as an order in lower case: "plug in the adapter"
    who: Who | None = None
    bring: str = ""
    holds_until: datetime | None = None  # from then on the answer may be another

    @property
    def group(self) -> str:
        return self.code.partition(".")[0]


@dataclass(slots=True, kw_only=True)
class Machine:
    """One machine as its server knows it."""

    name: str
    report: Report  # the newest
    place: str = ""
    marked: str = ""  # by the administrator: the life-safety duty it has, if any
    received_at: datetime | None = None
    clock_difference_seconds: Maybe[int] = NOT_REPORTED  # the server's clock minus the machine's
    confirmations: tuple[Confirmation, ...] = ()
    packages: tuple[str, ...] = ()  # version texts of which an intact package is kept for it
    plan_issued_at: datetime | None = None  # judged by this plan, without the server
    plan_expires_at: datetime | None = None


@lru_cache
def _span(seconds: int) -> timedelta:
    """The same few limits of a site, again and again."""
    return timedelta(seconds=seconds)


@dataclass(slots=True)
class Case:
    """Everything that one verdict is about, and what many checks ask of it, worked out once."""

    machine: Machine
    need: Need
    policy: Policy
    moment: Moment
    now: datetime
    report: Report = field(init=False)
    on_the_spot: bool = field(init=False)
    blocks_on_the_spot: Answer = field(init=False)  # of what can be mended before the visit
    next_step: Release | None = field(init=False)  # the path's first, or else the target
    requires: Requirements = field(init=False)  # what the notes of the next step ask for
    kind: Kind | None = field(init=False)
    batteries: Maybe[tuple[Battery, ...]] = field(init=False)
    sealed_volumes: tuple[Volume, ...] = field(init=False)

    def __post_init__(self) -> None:
        need, report = self.need, self.machine.report
        chassis_type = report.machine.chassis_type
        self.report = report
        self.on_the_spot = self.moment is _SPOT
        self.blocks_on_the_spot = _STOP if self.on_the_spot else _FIX
        self.next_step = need.steps[0] if need.steps else need.target
        self.requires = self.next_step.requires if self.next_step else _NO_REQUIREMENTS
        self.kind = None if isinstance(chassis_type, Unknown) else kind_of(chassis_type)
        self.batteries = report.power.batteries
        self.sealed_volumes = sealed_volumes(report)

    @property
    def flash_minutes(self) -> int:
        """Minutes of the longest flash of the path; by policy where a release does not say."""
        default = self.policy.flash_minutes
        minutes = [default if step.minutes is None else step.minutes for step in self.need.steps]
        return max(minutes, default=default)

    @property
    def restarts(self) -> int:
        """Restarts of the whole path; one for each flash whose release does not say."""
        return sum(1 if step.restarts is None else step.restarts for step in self.need.steps)

    def confirmed_until(self, what: Confirmed, of: str) -> datetime | None:
        """Until when a person's word holds that speaks of `of`; none where there is none."""
        if not self.machine.confirmations:
            return None
        limit_seconds = self.policy.confirmation_age_seconds(what)
        ends = [
            end
            for each in self.machine.confirmations
            if (each.what, each.of) == (what, of)
            and each.at <= self.now
            and (end := self.fresh_until(each.at, limit_seconds))
        ]
        return max(ends, default=None)

    def age_seconds(self, seen_at: datetime) -> float:
        return (self.now - seen_at).total_seconds()

    def fresh_until(self, seen_at: datetime, limit_seconds: int) -> datetime | None:
        """Until when evidence counts as recent; none where it no longer does."""
        now = self.now
        begin = seen_at if seen_at < now else now  # no age is below none
        end = begin + _span(limit_seconds)
        return end if end > now else None


@dataclass(slots=True)
class Question:
    """A check before its answer: its code, its title, and the section that holds its evidence."""

    code: str
    title: str
    section: Section | None = None  # none: the evidence is the server's own record

    def passes(self, says: str, *, limit: str = "", holds_until: datetime | None = None) -> Check:
        section = self.section
        return Check(
            self.code,
            self.title,
            _PASS,
            says,
            limit,
            section.seen_at if section else NOT_REPORTED,
            section.source if section else _OWN_RECORD,
            "",
            None,
            "",
            holds_until,  # by position: names cost as much again
        )

    def unknown(self, because: str, *, remedy: str, who: Who = Who.SPOT, limit: str = "") -> Check:
        return self.answered(Answer.UNKNOWN, because, limit=limit, remedy=remedy, who=who)

    def answered(
        self,
        answer: Answer,
        says: str,
        *,
        limit: str = "",
        remedy: str = "",
        who: Who | None = None,
        bring: str = "",
        holds_until: datetime | None = None,
    ) -> Check:
        section = self.section
        return Check(
            self.code,
            self.title,
            answer,
            says,
            limit,
            section.seen_at if section else NOT_REPORTED,
            section.source if section else _OWN_RECORD,
            remedy,
            who,
            bring,
            holds_until,
        )
