"""What a visit asks for over all its machines: to bring, to do before, to tell.

- Every thing stands once, with the machines that it is for, in the order of the visit.
- Boot media are named with the package that goes on them and its digest, or it is said that none
  is kept.
- Spares are what practice suggests: common practice, no source.
- A recovery key is named, never shown: no list holds a key.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import cached_property

from flashworthy_common.attention import AttentionCode
from flashworthy_common.policy import Policy
from flashworthy_common.readiness import Answer, Check, Outcome, Verdict, Who
from flashworthy_common.releases import Way
from flashworthy_common.report import Session
from flashworthy_common.values import Unknown
from flashworthy_common.visits.foresee import Foreseen
from flashworthy_common.visits.order import Schedule
from flashworthy_common.visits.work import Work, work_of

UPS = "a UPS"  # as the check of the UPS names it
_COIN_CELL = "a coin cell of the kind that its board takes: its clock went back"
_SPARE_MACHINE = "a spare machine to leave there: no way back and no way of recovery is known"

_TO_BE_FLASHED = (Outcome.CLEAR, Outcome.PREPARE)


@dataclass(frozen=True, slots=True)
class KeptFile:
    """A kept package: what it is of, and how it is told from others."""

    version_text: str
    file_name: str
    sha256: str


@dataclass(frozen=True)
class PlannedMachine:
    """A machine of a visit with everything that its plan rests on."""

    id: int
    name: str
    foreseen: Foreseen
    policy: Policy
    sessions: tuple[Session, ...] = ()  # that its newest report shows
    attention: tuple[str, ...] = ()  # codes
    files: tuple[KeptFile, ...] = ()  # intact packages of its model

    @property
    def verdict(self) -> Verdict:
        return self.foreseen.verdict

    @cached_property
    def work(self) -> Work:
        return work_of(self.id, self.verdict, self.policy)

    @property
    def is_to_be_flashed(self) -> bool:
        return self.foreseen.outcome in _TO_BE_FLASHED

    def file_of(self, version_text: str) -> KeptFile | None:
        return next((each for each in self.files if each.version_text == version_text), None)


@dataclass(frozen=True, slots=True)
class Item:
    """One thing, and the machines that it is for."""

    what: str
    machines: tuple[str, ...]
    notes: tuple[str, ...] = ()


@dataclass(slots=True)
class _Gathered:
    machines: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)


def to_bring(planned: Sequence[PlannedMachine], schedule: Schedule) -> tuple[Item, ...]:
    """What to have in the bag."""
    needing_ups = frozenset(
        each.id for each in planned if any(what == UPS for what, _ in _things(each))
    )
    notes = {UPS: f"{schedule.at_a_time(needing_ups)} at a time"}
    return _gather(
        (what, machine.name, note or notes.get(what, ""))
        for machine in planned
        for what, note in _things(machine)
    )


def to_do_before(planned: Sequence[PlannedMachine]) -> tuple[Item, ...]:
    """What is done from the desk, and by whom; also what would let a machine off its hold."""
    return _gather(
        (_sentence(check.remedy), machine.name, f"{check.title}: {check.says}")
        for machine in planned
        if machine.foreseen.outcome in (*_TO_BE_FLASHED, Outcome.HOLD)
        for check in machine.verdict.answered(Answer.STOP, Answer.FIX, Answer.UNKNOWN)
        if check.who in (Who.DESK, Who.ADMINISTRATOR) and check.remedy
    )


def to_tell(planned: Sequence[PlannedMachine]) -> tuple[Item, ...]:
    """Who must know of it: whoever uses a machine that is to be flashed."""
    return _gather(
        (user, machine.name, "")
        for machine in planned
        if machine.is_to_be_flashed
        for user in (_users(machine.sessions) or ["whoever uses it"])
    )


def _things(machine: PlannedMachine) -> Iterator[tuple[str, str]]:
    """What to bring for one machine, each with a note."""
    if not machine.is_to_be_flashed:
        return
    for check in machine.verdict.checks:
        if check.bring and not _is_of_media(check):
            yield check.bring, ""
    for release in machine.verdict.need.steps:
        if release.ways == (Way.BOOT_MEDIA,):
            yield f"boot media with {release.version_text}", _kept(machine, release.version_text)
    yield from _spares(machine)


def _is_of_media(check: Check) -> bool:
    return check.code == "path.way"


def _spares(machine: PlannedMachine) -> Iterator[tuple[str, str]]:
    need = machine.verdict.need
    has_no_way_back = need.way_back is not None and need.way_back.allowed is not True
    if has_no_way_back and need.target and not need.target.recovery:
        yield _SPARE_MACHINE, ""
    if AttentionCode.CLOCK_RESET.value in machine.attention:
        yield _COIN_CELL, ""
    running = need.running
    if not isinstance(running, Unknown) and (kept := machine.file_of(running)):
        yield f"for the way back, the package of {running}", _named(kept)


def _kept(machine: PlannedMachine, version_text: str) -> str:
    kept = machine.file_of(version_text)
    if kept:
        return _named(kept)
    return "no package of it is kept: fetch it from its maker, and keep it with its digest"


def _named(kept: KeptFile) -> str:
    return f"{kept.file_name}, SHA-256 {kept.sha256}"


def _users(sessions: tuple[Session, ...]) -> list[str]:
    return list(dict.fromkeys(session.user for session in sessions))


def _sentence(text: str) -> str:
    return f"{text[:1].upper()}{text[1:]}"


def _gather(found: Iterable[tuple[str, str, str]]) -> tuple[Item, ...]:
    items: dict[str, _Gathered] = {}
    for what, machine, note in found:
        item = items.setdefault(what, _Gathered())
        if machine not in item.machines:
            item.machines.append(machine)
        if note and note not in item.notes:
            item.notes.append(note)
    return tuple(
        Item(what, tuple(item.machines), tuple(item.notes)) for what, item in items.items()
    )
