"""Need: how a combination stands to its maker's releases, and which reasons speak for which.

Pure knowledge: the answer depends on the combination and on what people recorded, neither on the
time nor on a site's limits, so it is worked out once per combination and kept.

Rules:

- Nobody has looked is not the same as no reason: `review` is none until a person has compared.
- A withdrawn release is never a target, and neither is a superseded one; what a superseded one
  fixed, its successors fix too.
- The target is the newest offered release that is newer than the running version. The reasons
  for it are those of every release after the running version up to the target.
- A release whose version cannot be ordered against the running one counts for nothing. Where none
  can be, the running version is unreadable.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from enum import Enum

from flashworthy_common.makers import Combination
from flashworthy_common.reasons import Priority, Reason, highest
from flashworthy_common.releases import Release, ReleaseState, Review, speaks_for
from flashworthy_common.values import Count, Maybe, Unknown
from flashworthy_common.versions import Order, compare, is_release, parse_version


class Standing(Enum):
    CURRENT = "current"
    BEHIND = "behind"
    AHEAD = "ahead"
    UNLISTED = "unlisted"  # no release is known for the model
    UNREADABLE = "unreadable"  # the running version is missing, or cannot be ordered


@dataclass(frozen=True, slots=True, kw_only=True)
class Observation:
    """The newest version seen on the same model and board at this site; never a target."""

    version_text: str
    machines: Count


@dataclass(frozen=True, slots=True, kw_only=True)
class Need:
    """Whether and why a combination should be updated, and to what."""

    running: Maybe[str]  # the version text
    standing: Standing
    because: str  # what the standing rests on, in words
    review: Review | None = None  # the latest
    target: Release | None = None
    reasons: tuple[Reason, ...] = ()
    path: tuple[str, ...] = ()  # version texts from the running one to the target
    newest_seen: Observation | None = None

    @property
    def priority(self) -> Priority | None:
        """The highest priority among the reasons; none without a reason."""
        return highest(self.reasons)


def need_of(
    combination: Combination,
    releases: Iterable[Release],
    reviews: Iterable[Review],
    versions_here: Iterable[tuple[str, int]] = (),
) -> Need:
    """The need of one combination.

    Args:
        releases: any releases; those that do not speak for the combination are passed over.
        reviews: likewise.
        versions_here: running versions of the same maker, model and board at this site, each with
            its number of machines.
    """
    review = _latest(review for review in reviews if speaks_for(review, combination))
    running = combination.version_text
    if isinstance(running, Unknown):
        return Need(
            running=running,
            standing=Standing.UNREADABLE,
            because=f"no firmware version: {running.because}",
            review=review,
        )
    ordering = _Ordering(combination, running)
    listed = [release for release in releases if speaks_for(release, combination)]
    standing, because = _standing(ordering, listed)
    target = ordering.newest(_newer_offers(ordering, listed))
    return Need(
        running=running,
        standing=standing,
        because=because,
        review=review,
        target=target,
        reasons=_reasons_up_to(target, ordering, listed) if target else (),
        path=(running, target.version_text) if target else (),
        newest_seen=_newest_seen(ordering, versions_here),
    )


class _Ordering:
    """Versions of one model, held against the running one."""

    def __init__(self, combination: Combination, running: str) -> None:
        self.maker, self.model, *_ = combination.key
        self.running = running

    def compare(self, a_text: str, b_text: str) -> Order:
        return compare(a_text, b_text, maker=self.maker, model=self.model)

    def of_running(self, release: Release) -> Order:
        """How the running version stands to `release`."""
        return self.compare(self.running, release.version_text)

    def is_readable(self) -> bool:
        return is_release(parse_version(self.running, maker=self.maker), model=self.model)

    def newest(self, releases: Iterable[Release]) -> Release | None:
        found: Release | None = None
        for release in releases:
            if found is None or self._is_newer(release.version_text, found.version_text):
                found = release
        return found

    def _is_newer(self, a_text: str, b_text: str) -> bool:
        return self.compare(a_text, b_text) is Order.NEWER


def _standing(ordering: _Ordering, listed: list[Release]) -> tuple[Standing, str]:
    running = ordering.running
    if not ordering.is_readable():
        return Standing.UNREADABLE, f"{running!r} fits no known way of numbering releases"
    offered = [release for release in listed if release.state is ReleaseState.OFFERED]
    if not offered:
        return Standing.UNLISTED, "no release on offer is known for this model"
    by_order: dict[Order, list[Release]] = {order: [] for order in Order}
    for release in offered:
        by_order[ordering.of_running(release)].append(release)
    if newer := ordering.newest(by_order[Order.OLDER]):
        return Standing.BEHIND, f"{newer.version_text} is on offer, newer than {running}"
    if by_order[Order.SAME]:
        return Standing.CURRENT, f"it runs {running}, the newest on offer"
    if older := ordering.newest(by_order[Order.NEWER]):
        return Standing.AHEAD, f"it runs {running}, newer than {older.version_text} on offer"
    names = ", ".join(release.version_text for release in offered)
    return Standing.UNREADABLE, f"{running!r} cannot be ordered against {names}"


def _newer_offers(ordering: _Ordering, listed: list[Release]) -> list[Release]:
    return [
        release
        for release in listed
        if release.state is ReleaseState.OFFERED and ordering.of_running(release) is Order.OLDER
    ]


def _reasons_up_to(
    target: Release, ordering: _Ordering, listed: list[Release]
) -> tuple[Reason, ...]:
    reached = {Order.OLDER, Order.SAME}
    return tuple(
        reason
        for release in listed
        if release.state is not ReleaseState.WITHDRAWN
        and ordering.of_running(release) is Order.OLDER
        and ordering.compare(release.version_text, target.version_text) in reached
        for reason in release.reasons
    )


def _newest_seen(
    ordering: _Ordering, versions_here: Iterable[tuple[str, int]]
) -> Observation | None:
    found: tuple[str, int] | None = None
    for text, machines in versions_here:
        base = found[0] if found else ordering.running
        if ordering.compare(text, base) is Order.NEWER:
            found = (text, machines)
    return Observation(version_text=found[0], machines=found[1]) if found else None


def _latest(reviews: Iterable[Review]) -> Review | None:
    return max(reviews, key=lambda review: review.reviewed_at, default=None)
