"""What makers published is recorded: all of a document, or nothing of it.

- Every fault is named with row, field and, where it came in a file, the line.
- A release of a version that is recorded for the same machines replaces what was recorded. A row
  that says nothing new changes nothing, so importing twice changes nothing.
- What would change is worked out first, and is all that a dry run does.
"""

import hashlib
import json
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any

from flashworthy_common.makers import canonical_machine_maker
from flashworthy_common.ordering import Ordering
from flashworthy_common.patterns import NameIndex
from flashworthy_common.release_rules import check_release, contradictions, is_about_the_same
from flashworthy_common.releases import Release, ReleaseState, Review
from flashworthy_common.values import Unknown, to_json
from flashworthy_common.weighing import Advisory
from flashworthy_server.db import Connection
from flashworthy_server.documents import Document, Row
from flashworthy_server.errors import (
    BadRow,
    BadRowsError,
    ConflictError,
    NotFoundError,
)
from flashworthy_server.services import audit, judgement, needs, touch
from flashworthy_server.services.needs import Progress
from flashworthy_server.services.reading import (
    ReadRow,
    read_one,
    read_rows,
    require_reason,
    with_severity,
)
from flashworthy_server.services.who import Who
from flashworthy_server.site import Site
from flashworthy_server.store import knowledge as store
from flashworthy_server.store import weighing as weighing_store
from flashworthy_server.store.knowledge import ReleaseFilters as ReleaseFilters
from flashworthy_server.store.knowledge import StoredRelease as StoredRelease

_AT_ONCE = 500  # rows read or written in one go
_Version = tuple[str, tuple[str, str]]  # maker, and the version's spelling


@dataclass(slots=True)
class Tally:
    added: int = 0
    changed: int = 0
    unchanged: int = 0


@dataclass(frozen=True, slots=True)
class Difference:
    field: str
    before: Any  # as JSON knows it; none: there was nothing
    after: Any


@dataclass(frozen=True, slots=True)
class Change:
    """What one row changes."""

    kind: str  # release, review or advisory
    position: str
    what: str  # in a few words
    is_new: bool
    differences: tuple[Difference, ...]


@dataclass(slots=True)
class Imported:
    releases: Tally = field(default_factory=Tally)
    reviews: Tally = field(default_factory=Tally)
    advisories: Tally = field(default_factory=Tally)
    changes: list[Change] = field(default_factory=list)

    @property
    def digest(self) -> str:
        """SHA-256 of all the changes, in hex: the same for the same ones alone."""
        told = json.dumps(to_json(self.changes), sort_keys=True)
        return hashlib.sha256(told.encode()).hexdigest()


def import_document(
    site: Site,
    who: Who,
    document: Document,
    *,
    dry_run: bool = False,
    progress: Progress | None = None,
    expected: str | None = None,
) -> Imported:
    """Record everything in a document, or say what that would change.

    Args:
        expected: the digest of the changes as they were shown before; none: they were not.

    Raises:
        BadRowsError: something is wrong; nothing was recorded.
        ConflictError: it would change something else than was shown; nothing was recorded.
    """
    rows = _read(site, document)
    if dry_run:
        with site.database.reading() as connection:
            return _plan(connection, rows).told()
    with site.database.writing() as connection:
        plan = _plan(connection, rows)
        if expected is not None:
            _require_as_shown(plan.told(), expected)
        _record(site, connection, who, plan, progress)
    judgement.follow(site, progress)
    return plan.told()


def _require_as_shown(imported: Imported, digest: str) -> None:
    """Refuse other changes than were shown; where all is recorded already, there are none."""
    if imported.changes and imported.digest != digest:
        raise ConflictError(
            "something that this is about was recorded since the differences were shown:"
            " look at them again; nothing was recorded"
        )


def record_release(site: Site, who: Who, data: Any) -> Tally:
    """Record one release; the tally says whether it was added, changed or known already.

    Raises:
        BadRowsError: it is wrong; each field is named.
    """
    document = Document()
    document.rows["releases"].append(Row("", None, data))
    return import_document(site, who, document).releases


def record_one(site: Site, who: Who, data: Any) -> StoredRelease:
    """Record one release, as `record_release` does; it, as it is recorded now."""
    record_release(site, who, data)
    return _require_found(site, data["machine_maker"], tuple(data["models"]), data["version_text"])


def change_release(
    site: Site, who: Who, release_id: int, data: Any, *, based_on: datetime
) -> StoredRelease:
    """Let a release be what is said now, its models and version included.

    Args:
        based_on: when it was recorded as it was looked at.

    Raises:
        BadRowsError: it is wrong; each field is named.
        ConflictError: somebody changed it since.
        NotFoundError: there is no such release.
    """
    now, bad = site.clock(), list[BadRow]()
    row = read_one(Release, data, now, bad)
    if row is None:
        raise BadRowsError(bad)
    with site.database.writing() as connection:
        was = _load(connection, release_id)
        if row.statement == was.release:
            return was
        if was.recorded_at != based_on:
            raise ConflictError(
                f"release #{release_id} was changed since it was opened: open it again, and say"
                " once more what is to change"
            )
        _require_no_other(connection, row, release_id)
        _change(connection, who, site, was, row.statement, row.maker)
        touched = [(was.maker, was.release), (row.maker, row.statement)]
        needs.mark_touched(connection, touched, now)
    judgement.follow(site)
    return StoredRelease(release_id, row.maker, row.statement, now)


def _require_no_other(connection: Connection, row: ReadRow[Release], release_id: int) -> None:
    """Refuse what another release says of the same version and machines already."""
    by_version = _stored_of_same_versions(connection, [row])
    same = (each for some in by_version.values() for each in some.about_the_same(row.statement))
    for each in same:
        if each.stored and each.stored.id != release_id:
            says = f"release #{each.stored.id} is of this version for some of these models already"
            raise BadRowsError([row.fault(says, "models")])


def resting_on(site: Site, stored: StoredRelease) -> list[str]:
    """What rests on a release, a sentence each."""
    with site.database.reading() as connection:
        return touch.resting_on_release(connection, stored.release)


def remove_release(
    site: Site, who: Who, release_id: int, reason: str, *, anyway: bool = False
) -> None:
    """Remove a release that should never have been recorded; what rests on it is judged anew.

    What a maker took back is withdrawn (`change_state`), not removed.

    Args:
        anyway: whoever removes it knows what rests on it.

    Raises:
        InvalidInputError: a reason is missing.
        NotFoundError: there is no such release.
        ConflictError: something rests on it, and that was not said to be known.
    """
    require_reason(reason)
    now = site.clock()
    with site.database.writing() as connection:
        was = _load(connection, release_id)
        resting = touch.resting_on_release(connection, was.release)
        touch.require_known(resting, anyway=anyway)
        store.remove_release(connection, release_id)
        needs.mark_touched(connection, [(was.maker, was.release)], now)
        subject, before = f"release #{release_id}", to_json(was.release)
        after = {"reason": reason.strip()}
        audit.record(connection, who, now, "release.remove", subject, before=before, after=after)
    judgement.follow(site)


def change_state(
    site: Site, who: Who, release_id: int, state: ReleaseState, reason: str
) -> StoredRelease:
    """Say that a release is offered, superseded or withdrawn, and why.

    Raises:
        BadRowsError: a reason is missing.
        NotFoundError: there is no such release.
    """
    now = site.clock()
    with site.database.writing() as connection:
        was = _load(connection, release_id)
        release = replace(was.release, state=state, state_reason=reason)
        if faults := check_release(release):
            raise BadRowsError(BadRow("", fault.says, fault.field) for fault in faults)
        if release != was.release:
            _change(connection, who, site, was, release)
            needs.mark_touched(connection, [(was.maker, release)], now)
    judgement.follow(site)
    return replace(was, release=release, recorded_at=now)


def view_release(site: Site, release_id: int) -> StoredRelease:
    with site.database.reading() as connection:
        return _load(connection, release_id)


def find_release(
    site: Site, machine_maker: str, models: tuple[str, ...], version_text: str
) -> StoredRelease | None:
    """The release of this version that is recorded for some of these models; none: none is."""
    wanted = Release(machine_maker=machine_maker, models=models, version_text=version_text)
    maker = canonical_machine_maker(machine_maker)
    if isinstance(maker, Unknown):
        return None
    row = ReadRow(Row("", None, None), maker, wanted)
    with site.database.reading() as connection:
        by_version = _stored_of_same_versions(connection, [row])
    same = (each for some in by_version.values() for each in some.about_the_same(wanted))
    return next((each.stored for each in same), None)


def _require_found(
    site: Site, machine_maker: str, models: tuple[str, ...], version_text: str
) -> StoredRelease:
    found = find_release(site, machine_maker, models, version_text)
    if found is None:  # removed by somebody else meanwhile
        raise NotFoundError(f"no release {version_text} of these models is recorded")
    return found


def list_releases(
    site: Site, filters: ReleaseFilters, *, after: int, count: int
) -> tuple[list[StoredRelease], int | None]:
    """At most `count` releases after an id, and the id after which the next ones follow."""
    if filters.maker is not None:
        name = canonical_machine_maker(filters.maker)
        filters = filters if isinstance(name, Unknown) else replace(filters, maker=name)
    with site.database.reading() as connection:
        found = store.load_releases(connection, filters, after=after, count=count + 1)
    shown = found[:count]
    return shown, shown[-1].id if len(found) > count else None


def count_releases(site: Site) -> int:
    with site.database.reading() as connection:
        return store.count_releases(connection)


def all_releases(site: Site, filters: ReleaseFilters) -> Iterator[StoredRelease]:
    """Every release, read in parts so that memory stays flat."""
    after: int | None = 0
    while after is not None:
        page, after = list_releases(site, filters, after=after, count=_AT_ONCE)
        yield from page


def export_document(site: Site) -> dict[str, list[Any]]:
    """Everything as a document that can be imported."""
    releases = [to_json(each.release) for each in all_releases(site, ReleaseFilters())]
    with site.database.reading() as connection:
        reviews = store.all_reviews(connection)
        advisories = weighing_store.all_advisories(connection)
    return {
        "releases": releases,
        "reviews": [to_json(each) for each in reviews],
        "advisories": [_stated(each) for each in advisories],
    }


def _stated(advisory: Advisory) -> dict[str, Any]:
    """An advisory without what is worked out."""
    return {name: value for name, value in to_json(advisory).items() if name != "severity"}


def _load(connection: Connection, release_id: int) -> StoredRelease:
    found = store.load_release(connection, release_id)
    if found is None:
        raise NotFoundError(f"there is no release #{release_id}")
    return found


# ---- reading ----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Rows:
    releases: list[ReadRow[Release]]
    reviews: list[ReadRow[Review]]
    advisories: list[ReadRow[Advisory]]


def _read(site: Site, document: Document) -> _Rows:
    now, bad = site.clock(), list(document.bad)
    rows = _Rows(
        read_rows(Release, document.rows["releases"], now, bad),
        read_rows(Review, document.rows["reviews"], now, bad),
        read_rows(Advisory, document.rows["advisories"], now, bad),
    )
    bad += _contradictions(rows.releases)
    if bad:
        raise BadRowsError(bad)
    return rows


def _contradictions(rows: list[ReadRow[Release]]) -> Iterator[BadRow]:
    for each in contradictions([row.statement for row in rows]):
        fields = ", ".join(each.differ_in)
        yield rows[each.second].fault(
            f"says otherwise than {rows[each.first].row.position} in {fields}"
        )


# ---- planning ---------------------------------------------------------------------------------


@dataclass(slots=True, eq=False)
class _Planned:
    """A release as it will stand, and as it stands."""

    row: ReadRow[Release] | None  # none: no row speaks of it
    stored: StoredRelease | None  # none: it is new
    release: Release


class _SameVersion:
    """What is recorded and planned of one version of one maker."""

    def __init__(self) -> None:
        self._planned: list[_Planned] = []
        self._index = NameIndex()

    def add(self, planned: _Planned) -> None:
        self._index.add(len(self._planned), planned.release.models)
        self._planned.append(planned)

    def change(self, planned: _Planned, row: ReadRow[Release]) -> None:
        planned.row, planned.release = row, row.statement
        self._index.add(self._planned.index(planned), row.statement.models)

    def about_the_same(self, release: Release) -> list[_Planned]:
        candidates = (self._planned[each] for each in self._index.candidates(release.models))
        return [each for each in candidates if is_about_the_same(each.release, release)]


@dataclass(slots=True)
class _Plan:
    rows: _Rows
    releases: list[_Planned] = field(default_factory=list)  # that are new or change
    reviews: list[ReadRow[Review]] = field(default_factory=list)  # that are new
    advisories: list[tuple[ReadRow[Advisory], Advisory | None]] = field(default_factory=list)

    def told(self) -> Imported:
        found = Imported(changes=[*self._changes()])
        for tally, kind, rows in (
            (found.releases, "release", self.rows.releases),
            (found.reviews, "review", self.rows.reviews),
            (found.advisories, "advisory", self.rows.advisories),
        ):
            changes = [each for each in found.changes if each.kind == kind]
            tally.added = sum(each.is_new for each in changes)
            tally.changed = len(changes) - tally.added
            tally.unchanged = len(rows) - len(changes)
        return found

    def _changes(self) -> Iterator[Change]:
        for each in self.releases:
            was = each.stored.release if each.stored else None
            position = each.row.row.position if each.row else ""
            yield _change_of("release", position, _named(each.release), was, each.release)
        for row in self.reviews:
            what = f"{row.statement.machine_maker} {', '.join(row.statement.models)}"
            yield _change_of("review", row.row.position, what, None, row.statement)
        for read, known in self.advisories:
            yield _change_of(
                "advisory", read.row.position, read.statement.id, known, read.statement
            )


def _named(release: Release) -> str:
    return f"{release.machine_maker} {', '.join(release.models)}: {release.version_text}"


def _change_of(kind: str, position: str, what: str, before: Any, after: Any) -> Change:
    if before is None:
        return Change(kind, position, what, True, ())
    old, new = to_json(before), to_json(after)
    differ = (name for name in new if old.get(name) != new[name])
    differences = tuple(Difference(name, old.get(name), new[name]) for name in differ)
    return Change(kind, position, what, False, differences)


def _plan(connection: Connection, rows: _Rows) -> _Plan:
    known = set(store.reviews_of(connection, {row.maker for row in rows.reviews}))
    reviews = {row.statement: row for row in rows.reviews if row.statement not in known}
    return _Plan(
        rows,
        _plan_releases(connection, rows.releases),
        list(reviews.values()),
        _plan_advisories(connection, rows.advisories),
    )


def _plan_releases(connection: Connection, rows: list[ReadRow[Release]]) -> list[_Planned]:
    """What the rows add and change, in their order."""
    by_version = _stored_of_same_versions(connection, rows)
    planned: list[_Planned] = []
    bad: list[BadRow] = []
    for row in rows:
        version = (row.maker, _spelling(row.maker, row.statement))
        others = by_version.setdefault(version, _SameVersion())
        same = others.about_the_same(row.statement)
        if fault := _fault_of_company(row, same):
            bad.append(fault)
        elif not same:
            planned.append(_Planned(row, None, row.statement))
            others.add(planned[-1])
        elif same[0].release != row.statement:
            others.change(same[0], row)
            planned.append(same[0])
        else:
            same[0].row = same[0].row or row
    if bad:
        raise BadRowsError(bad)
    return planned


def _fault_of_company(row: ReadRow[Release], same: list[_Planned]) -> BadRow | None:
    """What is wrong where a row names models that stand in different releases already."""
    if any(each.row and each.release != row.statement for each in same):
        says = "an earlier row of this version names some of them too; make them one row"
        return row.fault(says, "models")
    if len(same) > 1:
        says = "they belong to several recorded releases of this version; change those"
        return row.fault(says, "models")
    return None


def _stored_of_same_versions(
    connection: Connection, rows: list[ReadRow[Release]]
) -> dict[_Version, _SameVersion]:
    wanted: dict[str, set[tuple[str, str]]] = {}
    for row in rows:
        wanted.setdefault(row.maker, set()).add(_spelling(row.maker, row.statement))
    texts = [
        (maker, text)
        for maker, spellings in wanted.items()
        for text in store.version_texts_of(connection, maker)
        if Ordering.of_maker(maker).spelling(text) in spellings
    ]
    found: dict[_Version, _SameVersion] = {}
    for stored in store.releases_of_versions(connection, texts):
        version = (stored.maker, _spelling(stored.maker, stored.release))
        found.setdefault(version, _SameVersion()).add(_Planned(None, stored, stored.release))
    return found


def _spelling(maker: str, release: Release) -> tuple[str, str]:
    """The same for two texts of one version."""
    return Ordering.of_maker(maker).spelling(release.version_text)


def _plan_advisories(
    connection: Connection, rows: list[ReadRow[Advisory]]
) -> list[tuple[ReadRow[Advisory], Advisory | None]]:
    known = weighing_store.advisories_by_id(connection, (row.statement.id for row in rows))
    last = {row.statement.id: row for row in rows}
    whole = [replace(row, statement=with_severity(row.statement)) for row in last.values()]
    found = [(row, known.get(row.statement.id)) for row in whole]
    return [(row, was) for row, was in found if was != row.statement]


# ---- recording --------------------------------------------------------------------------------


def _record(
    site: Site, connection: Connection, who: Who, plan: _Plan, progress: Progress | None
) -> None:
    """Carry a plan out, and mark what it touches."""
    now = site.clock()
    added = [each for each in plan.releases if each.stored is None]
    for start in range(0, len(added), _AT_ONCE):
        _add(connection, who, site, added[start:][:_AT_ONCE])
        if progress:
            progress("releases", min(start + _AT_ONCE, len(added)), len(added))
    for each in plan.releases:
        if each.stored is not None:
            _change(connection, who, site, each.stored, each.release)
    for row in plan.reviews:
        add_review(connection, who, site, row.maker, row.statement)
    for read, was in plan.advisories:
        weighing_store.save_advisory(connection, read.statement, now)
        record_advisory(connection, who, site, read.statement, was)
    touched = [(row.maker, row.statement) for row in plan.reviews]
    needs.mark_touched(connection, [*_touched(plan.releases), *touched], now)
    needs.mark_weighed(connection, [row.statement.id for row, _ in plan.advisories], now)


def _add(connection: Connection, who: Who, site: Site, added: list[_Planned]) -> None:
    now = site.clock()
    stored = [(each.row.maker, each.release) for each in added if each.row]
    made = store.add_releases(connection, stored, now)
    told = ((f"release #{release_id}", None, facts) for release_id, facts in made)
    audit.record_all(connection, who, now, "release.add", told)


def _change(
    connection: Connection,
    who: Who,
    site: Site,
    was: StoredRelease,
    release: Release,
    maker: str = "",
) -> None:
    """Let a release be another; `maker` is its canonical name, where that may be another too."""
    now = site.clock()
    store.change_release(connection, was.id, maker or was.maker, release, now)
    before, after = to_json(was.release), to_json(release)
    subject = f"release #{was.id}"
    audit.record(connection, who, now, "release.change", subject, before=before, after=after)


def add_review(connection: Connection, who: Who, site: Site, maker: str, review: Review) -> None:
    """Add a review, in a transaction that marks what it touches."""
    now = site.clock()
    review_id = store.add_review(connection, maker, review, now)
    after = to_json(review)
    audit.record(connection, who, now, "review.add", f"review #{review_id}", after=after)


def record_advisory(
    connection: Connection, who: Who, site: Site, advisory: Advisory, was: Advisory | None
) -> None:
    """Tell the audit trail of an advisory."""
    action = "advisory.add" if was is None else "advisory.change"
    before = None if was is None else to_json(was)
    subject = f"advisory {advisory.id}"
    audit.record(
        connection, who, site.clock(), action, subject, before=before, after=to_json(advisory)
    )


def _touched(planned: Iterable[_Planned]) -> Iterator[tuple[str, Release]]:
    """Each release that changes, as it was and as it will be, with its maker."""
    for each in planned:
        if each.stored is not None:
            yield each.stored.maker, each.stored.release
            yield each.stored.maker, each.release
        elif each.row is not None:
            yield each.row.maker, each.release
