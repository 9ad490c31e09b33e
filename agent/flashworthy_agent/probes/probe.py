"""What a probe is: one question, asked of one machine in bounded time."""

from collections.abc import Callable, Iterable
from typing import NamedTuple

from flashworthy_agent.probes.access import Access
from flashworthy_agent.probes.inputs import Answer, Question
from flashworthy_common.report import Section
from flashworthy_common.values import Maybe, Unknown

LIMIT_SECONDS = 10.0

NOT_YET = Unknown("this agent does not look yet")


class Probe(NamedTuple):
    """One question, and how long its answer may take."""

    name: str
    section: str  # of the report
    look: Callable[[Access], Section]
    limit_seconds: float = LIMIT_SECONDS
    only_field: str | None = None  # the one field of the section that it answers; None: all


class Platform(NamedTuple):
    """How one operating system answers."""

    probes: tuple[Probe, ...]  # in the order in which they run
    uptime_seconds: Callable[[Access], Maybe[int]]
    programs_with_windows: Callable[[Access], Maybe[tuple[str, ...]]] = lambda access: NOT_YET
    # What must not be written down of an answer, taken out of it so that it still reads the same.
    withheld: Callable[[Question, Answer], Answer] = lambda question, answer: answer
    # Serials, names and ids in an answer, beside those that the report itself holds.
    personal: Callable[[Question, Answer], Iterable[str]] = lambda question, answer: ()
