"""What a release must fulfil to be recorded, and which releases contradict each other.

Nothing is repaired: each problem names the field and says what was expected.

- A version that cannot be read is refused: such a release could never be ordered, so it would
  count for nothing without anybody's noticing.
- A release that asks for itself, or for a newer one, first could never be installed.
- Two releases of one model and version are the same release; where they say different things,
  one is wrong.
"""

import re
from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, fields

from flashworthy_common.ordering import Ordering
from flashworthy_common.patterns import NameIndex, may_both_match, problem_of_name
from flashworthy_common.releases import LeastVersion, Release, ReleaseState, Statement, maker_of
from flashworthy_common.symptoms import LEAST_WORDS, is_too_wide
from flashworthy_common.values import Unknown

SAFE_LINKS = ("https://", "http://")
GUID = re.compile(r"[0-9a-f]{8}(?:-[0-9a-f]{4}){3}-[0-9a-f]{12}", re.IGNORECASE | re.ASCII)


@dataclass(frozen=True, slots=True)
class Problem:
    field: str  # the path of the field, as in JSON
    says: str  # what was expected, and what came


@dataclass(frozen=True, slots=True)
class Contradiction:
    """Two releases of one model and version that say different things; positions in the list."""

    first: int
    second: int
    differ_in: tuple[str, ...]  # names of fields


def check_release(release: Release) -> tuple[Problem, ...]:
    """Everything that is wrong with a release, its fields in order; empty: it may be recorded."""
    return (
        *check_names(release),
        *_names("skus", release.skus),
        *_names("board_versions", release.board_versions),
        *_version(release),
        *_state(release),
        *_link(release),
        *_reasons(release),
        *_firmware_to_step_from(release),
        *_least_versions("requires.os_builds", release.requires.os_builds),
        *_least_versions("requires.installed", release.requires.installed),
        *_going_back(release),
        *_esrt(release),
    )


def check_names(statement: Statement) -> tuple[Problem, ...]:
    """What is wrong with the maker and models of a release, review or exception."""
    maker = maker_of(statement)
    found = list(_names("models", statement.models))
    if isinstance(maker, Unknown):
        says = f"expected a maker's name, got {statement.machine_maker!r}: {maker.because}"
        found.insert(0, Problem("machine_maker", says))
    if not statement.models:
        found.append(Problem("models", "expected the name of one model or more, got none"))
    return tuple(found)


def contradictions(releases: Sequence[Release]) -> tuple[Contradiction, ...]:
    """Every pair that is about one model and version, yet differs; by their positions.

    Which models they name, and in how many spellings, is no difference.
    """
    return tuple(
        Contradiction(first, second, differ_in)
        for places in _by_version(releases)
        for first, second in _pairs_of_one_model(releases, places)
        if (differ_in := _differences(releases[first], releases[second]))
    )


def is_about_the_same(a: Release, b: Release) -> bool:
    """Whether two releases of one maker and version may speak of the same machines."""
    return _overlap(a.models, b.models) and all(
        not mine or not theirs or _overlap(mine, theirs)
        for mine, theirs in ((a.skus, b.skus), (a.board_versions, b.board_versions))
    )


# ---- one release ------------------------------------------------------------------------------


def _names(field: str, stated: tuple[str, ...]) -> Iterator[Problem]:
    for place, name in enumerate(stated):
        if says := problem_of_name(name):
            yield Problem(f"{field}[{place}]", says)


def _version(release: Release) -> Iterator[Problem]:
    if not release.version_text.strip():
        yield Problem("version_text", "expected a version, got nothing")
    elif not _ordering(release).is_readable(release.version_text):
        yield Problem("version_text", _unreadable(release.version_text))


def _state(release: Release) -> Iterator[Problem]:
    if release.state is ReleaseState.WITHDRAWN and not release.state_reason.strip():
        yield Problem("state_reason", "expected why it was withdrawn, got nothing")


def _link(release: Release) -> Iterator[Problem]:
    link = release.notes_url
    if link and not link.startswith(SAFE_LINKS):
        says = f"expected a link that begins with {SAFE_LINKS[0]}, got {link!r}"
        yield Problem("notes_url", says)


def _reasons(release: Release) -> Iterator[Problem]:
    for place, reason in enumerate(release.reasons):
        if not reason.says.strip():
            yield Problem(f"reasons[{place}].says", "expected what it is for, got nothing")
        for nth, phrase in enumerate(reason.symptoms):
            if is_too_wide(phrase):
                says = f"expected {LEAST_WORDS} words that say something, or more, got {phrase!r}"
                yield Problem(f"reasons[{place}].symptoms[{nth}]", says)


def _firmware_to_step_from(release: Release) -> Iterator[Problem]:
    least, own = release.requires.firmware, release.version_text
    if least is None:
        return
    ordering, field = _ordering(release), "requires.firmware"
    if not ordering.is_readable(least):
        yield Problem(field, _unreadable(least))
    elif ordering.reaches(least, own):
        yield Problem(field, f"expected a version before {own}, which asks for it, got {least!r}")


def _least_versions(field: str, stated: tuple[LeastVersion, ...]) -> Iterator[Problem]:
    for place, each in enumerate(stated):
        if not each.name.strip():
            yield Problem(f"{field}[{place}].name", f"expected a name, got {each.name!r}")
        if not each.version_text.strip():
            says = f"expected a version, got {each.version_text!r}"
            yield Problem(f"{field}[{place}].version_text", says)


def _going_back(release: Release) -> Iterator[Problem]:
    floor, own = release.back_to, release.version_text
    if floor is None:
        return
    if release.can_go_back is False:
        yield Problem("back_to", f"expected nothing, since one cannot go back, got {floor!r}")
    elif not _ordering(release).is_readable(floor):
        yield Problem("back_to", _unreadable(floor))
    elif _ordering(release).is_newer(floor, own):
        yield Problem("back_to", f"expected {own} or an older version, got {floor!r}")


def _esrt(release: Release) -> Iterator[Problem]:
    guid, version = release.esrt_class, release.esrt_version
    if guid is not None and not GUID.fullmatch(guid):
        yield Problem("esrt_class", f"expected a GUID, got {guid!r}")
    if (guid is None) != (version is None):
        field = "esrt_class" if guid is None else "esrt_version"
        yield Problem(field, "expected class and version, or neither: one alone says nothing")


def _unreadable(text: str) -> str:
    return f"expected a version in a known way of numbering releases, got {text!r}"


def _ordering(release: Release) -> Ordering:
    """Of the maker alone: a pattern names no model."""
    maker = maker_of(release)
    return Ordering.of_maker("" if isinstance(maker, Unknown) else maker)


# ---- many releases ----------------------------------------------------------------------------


def _by_version(releases: Sequence[Release]) -> list[list[int]]:
    """Positions of the releases of one maker and version, in any spelling of it."""
    found: dict[tuple[object, ...], list[int]] = defaultdict(list)
    orderings: dict[object, Ordering] = {}
    for place, release in enumerate(releases):
        maker = maker_of(release)
        ordering = orderings.setdefault(maker, _ordering(release))
        found[maker, ordering.spelling(release.version_text)].append(place)
    return [places for places in found.values() if len(places) > 1]


def _pairs_of_one_model(
    releases: Sequence[Release], places: list[int]
) -> Iterator[tuple[int, int]]:
    """Pairs that share a model."""
    index = NameIndex()
    for second in places:
        models = releases[second].models
        for first in index.candidates(models):
            if is_about_the_same(releases[first], releases[second]):
                yield first, second
        index.add(second, models)


def _overlap(a: tuple[str, ...], b: tuple[str, ...]) -> bool:
    return any(may_both_match(mine, theirs) for mine in a for theirs in b)


def _differences(a: Release, b: Release) -> tuple[str, ...]:
    names = (field.name for field in fields(Release))
    return tuple(
        name for name in names if name not in _NAMING and getattr(a, name) != getattr(b, name)
    )


_NAMING = frozenset({"machine_maker", "models", "skus", "board_versions", "version_text"})
