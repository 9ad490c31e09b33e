"""Reasons: why an update is worth its risk.

That a newer version exists is no reason. The priorities are the outcomes that SSVC publishes for
whoever deploys a fix (CERT/CC, deployer decision tree 1.0.0); `flashworthy_common.weighing` works
them out where nobody set one by hand.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from enum import Enum


class Priority(Enum):
    """How soon a reason asks for the update; members stand in rising order."""

    DEFER = "defer"
    SCHEDULED = "scheduled"
    OUT_OF_CYCLE = "out-of-cycle"
    IMMEDIATE = "immediate"

    def reaches(self, other: "Priority") -> bool:
        """Whether this priority is `other` or above."""
        return RISING.index(self) >= RISING.index(other)


RISING = tuple(Priority)


class ReasonKind(Enum):
    SECURITY = "security"
    FAULT = "fault"  # one that this machine shows
    REQUIRED = "required"  # by an operating system or by hardware
    MAKER_ORDER = "ordered-by-maker"
    SITE_ORDER = "ordered-by-site"


@dataclass(frozen=True, slots=True, kw_only=True)
class StatedReason:
    """One reason, as a person read it in the maker's notes.

    A fault that has `symptoms` is a reason only for machines that show one of them.
    """

    kind: ReasonKind
    says: str  # completes "K1.34 ...", such as "closes a hole that is being exploited"
    source: str  # where it can be read again
    priority: Priority | None = None  # set by hand, and then it holds; none: worked out
    advisories: tuple[str, ...] = ()  # ids
    symptoms: tuple[str, ...] = ()  # phrases of two words or more: "wakes with a dark screen"


@dataclass(frozen=True, slots=True, kw_only=True)
class Reason(StatedReason):
    """A stated reason with its weight."""

    priority: Priority
    version_text: str = ""  # the release that brings it
    because: str = ""  # how the priority came about, every input named
    ends_when: str = ""  # what would remove the reason


def highest(reasons: Iterable[StatedReason]) -> Priority | None:
    """The highest priority among `reasons`; none where none has one."""
    priorities = (reason.priority for reason in reasons if reason.priority)
    return max(priorities, key=RISING.index, default=None)
