"""Exceptions: where a site decides otherwise, with a reason, an owner and an end.

- *Not this release*: it is not flashed on these machines, neither as target nor as a step.
- *Risk accepted*: the named advisories, or what the named release brings, are no reason until the
  end. What comes to light later is not covered by it.
- They end by themselves: after their last day they cover nothing. Whether one is in force depends
  on the time, so it is asked when a verdict is formed and never kept.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from enum import Enum

from flashworthy_common.patterns import fold
from flashworthy_common.reasons import Reason
from flashworthy_common.values import Count


class ExceptionKind(Enum):
    NOT_THIS_RELEASE = "not-this-release"
    RISK_ACCEPTED = "risk-accepted"


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteException:
    """One decision of the site against what would follow otherwise."""

    kind: ExceptionKind
    machine_maker: str
    models: tuple[str, ...]  # exact or by a pattern, as in a release
    reason: str
    owner: str
    until: date  # the last day on which it holds, UTC
    version_text: str = ""  # the release it is about
    advisories: tuple[str, ...] = ()  # the risks that are accepted
    machine_ids: tuple[Count, ...] = ()  # the server's; empty: every machine of the models

    @property
    def ends_at(self) -> datetime:
        midnight = datetime.combine(self.until, time(), tzinfo=UTC)
        return midnight + timedelta(days=1) if self.until < date.max else midnight


def in_force(exceptions: Iterable[SiteException], now: datetime) -> tuple[SiteException, ...]:
    """Those that still hold, the one that ends first in front."""
    holding = [each for each in exceptions if now < each.ends_at]
    return tuple(sorted(holding, key=lambda each: (each.until, each.kind.value, each.owner)))


def rules_out(exception: SiteException, version_texts: Iterable[str]) -> bool:
    """Whether it forbids one of these versions to be flashed."""
    if exception.kind is not ExceptionKind.NOT_THIS_RELEASE:
        return False
    return fold(exception.version_text) in map(fold, version_texts)


def accepts(exception: SiteException, reason: Reason) -> bool:
    """Whether a reason is accepted as a risk, all of it."""
    if exception.kind is not ExceptionKind.RISK_ACCEPTED:
        return False
    named = {fold(each) for each in exception.advisories}
    by_advisory = bool(reason.advisories) and named.issuperset(map(fold, reason.advisories))
    by_release = bool(reason.version_text) and fold(reason.version_text) == fold(
        exception.version_text
    )
    return by_advisory or by_release


def problems_of(exception: SiteException) -> tuple[str, ...]:
    """What is wrong with an exception, each with the field's name in front."""
    found = []
    if not exception.reason.strip():
        found.append("reason: expected why it is made")
    if not exception.owner.strip():
        found.append("owner: expected who answers for it")
    if not exception.version_text:
        if exception.kind is ExceptionKind.NOT_THIS_RELEASE:
            found.append("version_text: expected the release that is not to be flashed")
        elif not exception.advisories:
            found.append("advisories: expected the accepted risks, or else a version_text")
    return tuple(found)
