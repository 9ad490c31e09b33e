"""Reasons: why an update is worth its risk.

That a newer version exists is no reason. The priorities are the outcomes that SSVC publishes for
whoever deploys a fix (CERT/CC, deployer decision tree 1.0.0).
"""

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
        order = list(Priority)
        return order.index(self) >= order.index(other)


class ReasonKind(Enum):
    SECURITY = "security"
    FAULT = "fault"  # one that this machine shows
    REQUIRED = "required"  # by an operating system or by hardware
    MAKER_ORDER = "ordered-by-maker"
    SITE_ORDER = "ordered-by-site"


@dataclass(frozen=True, slots=True, kw_only=True)
class Reason:
    """One reason, as a person read it in the maker's notes."""

    kind: ReasonKind
    priority: Priority
    says: str  # completes "K1.34 ...", such as "closes a hole that is being exploited"
    source: str  # where it can be read again
    advisories: tuple[str, ...] = ()  # ids


def highest(reasons: tuple[Reason, ...]) -> Priority | None:
    """The highest priority among `reasons`; none for no reason."""
    order = list(Priority)
    return max((reason.priority for reason in reasons), key=order.index, default=None)
