"""Need: how a combination stands to its maker's releases, and which reasons speak for which.

Pure knowledge: the answer depends on the combination, on what people recorded and on how the site
weighs reasons, not on the time, so it is worked out once per combination and kept. The order in
which things were recorded does not matter.

Rules:

- Nobody has looked is not the same as no reason: `review` is none until a person has compared.
- A withdrawn release is never a target, and neither is a superseded one; what a superseded one
  fixed, its successors fix too.
- The target is the newest offered release that is newer than the running version. The reasons
  for it are those of every release after the running version up to the target.
- A fault whose symptoms are named is a reason only for a machine that shows one of them
  (`need_of_machine`); for the others it stands in `faults`.
- A release whose version cannot be ordered against the running one counts for nothing. Where none
  can be, the running version is unreadable.
- Exceptions are listed, not applied: they end by themselves, and what they leave depends on the
  time (`Need.reasons_left`).
"""

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import datetime
from enum import Enum
from functools import cached_property

from flashworthy_common.exceptions import SiteException, accepts, in_force, rules_out
from flashworthy_common.makers import Combination
from flashworthy_common.ordering import Ordering
from flashworthy_common.paths import NoPath, WayBack, find_path, way_back
from flashworthy_common.reasons import RISING, Priority, Reason, highest
from flashworthy_common.releases import Release, ReleaseState, Review, speaking_for, speaks_for
from flashworthy_common.symptoms import Symptom, shown
from flashworthy_common.values import Count, Maybe, Unknown
from flashworthy_common.versions import Order
from flashworthy_common.weighing import DEFAULT_WEIGHING, Weighing, weigh

RULES_VERSION = 1  # counts up whenever a need may come out differently


class Standing(Enum):
    CURRENT = "current"
    BEHIND = "behind"
    AHEAD = "ahead"
    UNLISTED = "unlisted"  # no release is known for the model
    UNREADABLE = "unreadable"  # the running version is missing, or cannot be ordered


@dataclass(frozen=True, slots=True, kw_only=True)
class Observation:
    """A version seen on one model and board at this site; never a target."""

    version_text: str
    machines: Count  # that run it now
    since: datetime | None = None  # when one of them was first seen to run it; none: not known


@dataclass(frozen=True, kw_only=True)
class Need:
    """Whether and why a combination should be updated, to what, and by which steps.

    One need serves every machine of its combination: what follows from it is worked out once.
    """

    running: Maybe[str]  # the version text
    standing: Standing
    because: str  # what the standing rests on, in words
    review: Review | None = None  # the latest
    target: Release | None = None
    reasons: tuple[Reason, ...] = ()
    faults: tuple[Reason, ...] = ()  # reasons for machines that show one of their symptoms
    path: tuple[str, ...] = ()  # version texts from the running one to the target; empty: none
    stones: tuple[Release, ...] = ()  # to be flashed before the target
    no_path: NoPath | None = None  # why no path leads to the target
    way_back: WayBack | None = None  # after the path; none without one
    exceptions: tuple[SiteException, ...] = ()  # those in force and those that ended
    newest_seen: Observation | None = None  # where it is newer than the running version

    @cached_property
    def priority(self) -> Priority | None:
        """The highest priority among the reasons; none without a reason."""
        return highest(self.reasons)

    @cached_property
    def steps(self) -> tuple[Release, ...]:
        """The releases to flash, in order; none without a path."""
        return (*self.stones, self.target) if self.path and self.target else ()

    @cached_property
    def review_in_words(self) -> str:
        """Who compared, with what, and when; empty where nobody has."""
        review = self.review
        if review is None:
            return ""
        return f"{review.reviewed_by} read {review.source} on {review.reviewed_at.date()}"

    @cached_property
    def reasons_in_words(self) -> str:
        """What speaks for the target, and how much; empty without a reason."""
        if self.target is None or self.priority is None:
            return ""
        says = "; ".join(each.says for each in self.reasons)
        return f"priority {self.priority.value}; {self.target.version_text}: {says}"

    @cached_property
    def flashes_in_words(self) -> str:
        """How long the steps take, and how often the machine restarts."""
        minutes = [step.minutes for step in self.steps]
        known = [each for each in minutes if each is not None]
        if not known or len(known) < len(minutes):
            return "How long it takes is not recorded."
        flashes = f"{len(known)} flashes, a full look before each, " if len(known) > 1 else ""
        restarts = [step.restarts for step in self.steps]
        if None in restarts:
            return f"{flashes}{sum(known)} minutes."
        count = sum(each or 0 for each in restarts)
        times = {0: "no restart", 1: "one restart"}.get(count, f"{count} restarts")
        return f"{flashes}{sum(known)} minutes, {times}."

    def reasons_left(self, now: datetime) -> tuple[Reason, ...]:
        """The reasons that no exception in force covers."""
        holding = in_force(self.exceptions, now)
        if any(rules_out(each, self._to_be_flashed) for each in holding):
            return ()
        return tuple(
            reason
            for reason in self.reasons
            if not any(accepts(exception, reason) for exception in holding)
        )

    @property
    def _to_be_flashed(self) -> tuple[str, ...]:
        return self.path[1:] or ((self.target.version_text,) if self.target else ())


def need_of(
    combination: Combination,
    releases: Iterable[Release],
    reviews: Iterable[Review],
    *,
    exceptions: Iterable[SiteException] = (),
    weighing: Weighing = DEFAULT_WEIGHING,
) -> Need:
    """The need of one combination.

    Args:
        releases: any releases; those that do not speak for the combination are passed over. No two
            of one model and version differ (`release_rules.contradictions`).
        reviews: likewise.
        exceptions: any; those for single machines are passed over too.
    """
    review = _latest(speaking_for(reviews, combination))
    holding = _for_every_machine(exceptions, combination)
    running = combination.version_text
    if isinstance(running, Unknown):
        return Need(
            running=running,
            standing=Standing.UNREADABLE,
            because=f"no firmware version: {running.because}",
            review=review,
            exceptions=holding,
        )
    seen = _seen_from(running, combination, releases)
    standing, because = seen.standing()
    need = Need(
        running=running,
        standing=standing,
        because=because,
        review=review,
        exceptions=holding,
    )
    target = seen.newest(seen.offered(Order.OLDER))
    return _with_target(need, running, target, seen, weighing) if target else need


def newest_seen(combination: Combination, versions_here: Iterable[str]) -> str | None:
    """The newest of the versions seen here that is newer than the running one; none: none is.

    Args:
        versions_here: the texts of what runs on the same maker, model and board at this site.
    """
    if isinstance(combination.version_text, Unknown):
        return None
    ordering, newest = Ordering.of(combination), combination.version_text
    found = None
    for seen in sorted(versions_here, key=ordering.place):
        if ordering.is_newer(seen, newest):
            found = newest = seen
    return found


def need_of_machine(
    need: Need,
    *,
    machine_id: int,
    symptoms: Iterable[Symptom] = (),
    exceptions: Iterable[SiteException] = (),
) -> Need:
    """The need of one machine: its combination's, with what is known of this machine alone.

    Args:
        symptoms: what this machine shows.
        exceptions: any of the site's; those that do not name this machine are passed over.
    """
    own = tuple(each for each in exceptions if machine_id in each.machine_ids)
    symptoms = tuple(symptoms)
    found = [(fault, shown(fault.symptoms, symptoms)) for fault in need.faults]
    shown_here = [_with_evidence(fault, seen) for fault, seen in found if seen]
    return replace(
        need,
        reasons=tuple(_pressing_first([*need.reasons, *shown_here])),
        faults=tuple(fault for fault, seen in found if not seen),
        exceptions=_in_order({*need.exceptions, *own}),
    )


@dataclass(frozen=True, slots=True)
class _Seen:
    """The releases that speak for a combination, oldest first, seen from its running version."""

    running: str
    ordering: Ordering
    listed: list[tuple[Release, Order]]  # each with how the running version stands to it

    def standing(self) -> tuple[Standing, str]:
        running = self.running
        if not self.ordering.is_readable(running):
            return Standing.UNREADABLE, self.ordering.why_unreadable(running)
        withdrawn = self._why_withdrawn()
        if not any(release.state is ReleaseState.OFFERED for release, _ in self.listed):
            return Standing.UNLISTED, "no release on offer is known for this model" + withdrawn
        if newer := self.newest(self.offered(Order.OLDER)):
            says = f"{newer.version_text} is on offer, newer than {running}"
            return Standing.BEHIND, says + withdrawn
        if self.offered(Order.SAME):
            return Standing.CURRENT, f"it runs {running}, the newest on offer" + self._unordered()
        if older := self.newest(self.offered(Order.NEWER)):
            says = f"it runs {running}, newer than {older.version_text} on offer"
            return Standing.AHEAD, says + withdrawn
        names = ", ".join(release.version_text for release in self.offered(Order.UNKNOWN))
        return Standing.UNREADABLE, f"{running!r} cannot be ordered against {names}"

    def offered(self, order: Order) -> list[Release]:
        """Releases on offer to which the running version stands so."""
        return [
            release
            for release, of_running in self.listed
            if of_running is order and release.state is ReleaseState.OFFERED
        ]

    def newest(self, releases: list[Release]) -> Release | None:
        found: Release | None = None
        for release in releases:
            if found is None or self.ordering.is_newer(release.version_text, found.version_text):
                found = release
        return found

    def up_to(self, target: Release) -> list[Release]:
        """What is newer than the running version and no newer than the target, unless withdrawn."""
        return [
            release
            for release, of_running in self.listed
            if of_running is Order.OLDER
            and release.state is not ReleaseState.WITHDRAWN
            and self.ordering.reaches(target.version_text, release.version_text)
        ]

    def _why_withdrawn(self) -> str:
        for release, of_running in self.listed:
            if of_running is Order.SAME and release.state is ReleaseState.WITHDRAWN:
                return f"; {self.running} was withdrawn: {release.state_reason or 'not said why'}"
        return ""

    def _unordered(self) -> str:
        names = [release.version_text for release in self.offered(Order.UNKNOWN)]
        return f" that can be ordered against it; not so {', '.join(names)}" if names else ""


def _seen_from(running: str, combination: Combination, releases: Iterable[Release]) -> _Seen:
    ordering = Ordering.of(combination)
    listed = speaking_for(releases, combination)
    listed.sort(key=lambda release: ordering.place(release.version_text))
    return _Seen(
        running,
        ordering,
        [(release, ordering.compare(running, release.version_text)) for release in listed],
    )


def _with_target(
    need: Need, running: str, target: Release, seen: _Seen, weighing: Weighing
) -> Need:
    reasons = _pressing_first(
        weigh(stated, release.version_text, weighing)
        for release in seen.up_to(target)
        for stated in release.reasons
    )
    need = replace(
        need,
        target=target,
        reasons=tuple(reason for reason in reasons if not reason.symptoms),
        faults=tuple(reason for reason in reasons if reason.symptoms),
    )
    releases = [release for release, _ in seen.listed]
    found = find_path(running, target, releases, seen.ordering)
    if isinstance(found, NoPath):
        return replace(need, no_path=found)
    return replace(
        need,
        path=(running, *(step.version_text for step in found.steps)),
        stones=found.steps[:-1],
        way_back=way_back(running, found, releases, seen.ordering),
    )


def _pressing_first(reasons: Iterable[Reason]) -> list[Reason]:
    """Each once, by falling priority; those of one priority stay in their order."""
    once = dict.fromkeys(reasons)
    return sorted(once, key=lambda reason: RISING.index(reason.priority), reverse=True)


def _with_evidence(fault: Reason, seen: Symptom) -> Reason:
    evidence = f"this machine shows it: {seen.says!r} ({seen.recorded_by})"
    return replace(fault, because=f"{fault.because}; {evidence}")


def _for_every_machine(
    exceptions: Iterable[SiteException], combination: Combination
) -> tuple[SiteException, ...]:
    return _in_order(
        {each for each in exceptions if not each.machine_ids and speaks_for(each, combination)}
    )


def _in_order(exceptions: set[SiteException]) -> tuple[SiteException, ...]:
    return tuple(sorted(exceptions, key=lambda each: (each.until, repr(each))))


def _latest(reviews: Iterable[Review]) -> Review | None:
    return max(reviews, key=lambda review: (review.reviewed_at, repr(review)), default=None)
