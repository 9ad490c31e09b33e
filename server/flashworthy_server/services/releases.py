"""Releases and reviews are recorded: all of a document, or nothing of it.

- Every bad row is named with its position and what is wrong with it.
- What makes a release right is `flashworthy_common.release_rules`; here it meets what is stored.
- A release of a version that is recorded for the same machines replaces what was recorded. A row
  that says nothing new changes nothing.
- A key that is not read is refused: it is a slip of the pen, and would be lost silently.
"""

from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any, Generic, TypeVar

from flashworthy_common.errors import MalformedValueError
from flashworthy_common.makers import MachineMaker, canonical_machine_maker
from flashworthy_common.release_rules import (
    check_names,
    check_release,
    contradictions,
    is_about_the_same,
)
from flashworthy_common.releases import Release, Review
from flashworthy_common.values import Unknown, from_json, to_json
from flashworthy_server.db import Connection
from flashworthy_server.errors import BadRow, BadRowsError
from flashworthy_server.services import audit
from flashworthy_server.services.judgement import renew_needs_of
from flashworthy_server.services.who import Who
from flashworthy_server.site import Site
from flashworthy_server.store import knowledge as store
from flashworthy_server.store.knowledge import StoredRelease

T = TypeVar("T", Release, Review)
_KINDS = ("releases", "reviews")
_AT_ONCE = 500  # releases read in one go
_GRANTED = timedelta(days=1)  # to clocks and time zones that differ


@dataclass(slots=True)
class Tally:
    added: int = 0
    changed: int = 0
    unchanged: int = 0


@dataclass(slots=True)
class Imported:
    releases: Tally = field(default_factory=Tally)
    reviews: Tally = field(default_factory=Tally)


@dataclass(frozen=True, slots=True)
class _Row(Generic[T]):
    position: str
    maker: MachineMaker
    statement: T


def import_document(site: Site, who: Who, data: Any) -> Imported:
    """Record everything in a document ``{"releases": [...], "reviews": [...]}``.

    Raises:
        BadRowsError: some row is wrong; nothing was recorded.
    """
    bad: list[BadRow] = []
    parts = _parts(data, bad)
    latest = site.clock() + _GRANTED
    releases = _read_rows(Release, "releases", parts, latest, bad)
    reviews = _read_rows(Review, "reviews", parts, latest, bad)
    bad += _contradictions(releases)
    if bad:
        raise BadRowsError(bad)
    with site.database.writing() as connection:
        return _record(site, connection, who, releases, reviews)


def record_release(site: Site, who: Who, data: Any) -> Tally:
    """Record one release; the tally says whether it was added, changed or known already.

    Raises:
        BadRowsError: it is wrong.
    """
    return import_document(site, who, {"releases": [data]}).releases


def list_releases(
    site: Site, *, maker: str | None, after: int, count: int
) -> tuple[list[StoredRelease], int | None]:
    """At most `count` releases after an id, and the id after which the next ones follow."""
    name = None if maker is None else canonical_machine_maker(maker)
    wanted = maker if isinstance(name, Unknown) else name
    with site.database.reading() as connection:
        found = store.load_releases(connection, maker=wanted, after=after, count=count + 1)
    shown = found[:count]
    return shown, shown[-1].id if len(found) > count else None


def all_releases(site: Site, *, maker: str | None) -> list[StoredRelease]:
    found: list[StoredRelease] = []
    after: int | None = 0
    while after is not None:
        page, after = list_releases(site, maker=maker, after=after, count=_AT_ONCE)
        found += page
    return found


# ---- reading ----------------------------------------------------------------------------------


def _parts(data: Any, bad: list[BadRow]) -> dict[str, list[Any]]:
    if not isinstance(data, dict):
        bad.append(BadRow("document", f"expected an object with {' and '.join(_KINDS)}"))
        return {}
    for name, rows in data.items():
        if name not in _KINDS:
            bad.append(BadRow(name, f"expected {' or '.join(_KINDS)}"))
        elif not isinstance(rows, list):
            bad.append(BadRow(name, "expected a list"))
    return {name: data[name] for name in _KINDS if isinstance(data.get(name), list)}


def _read_rows(
    kind: type[T], name: str, parts: dict[str, list[Any]], latest: datetime, bad: list[BadRow]
) -> list[_Row[T]]:
    """The rows that are right; what is wrong with the others is added to `bad`."""
    read = (
        _read_row(kind, f"{name}[{index}]", data, latest, bad)
        for index, data in enumerate(parts.get(name, ()))
    )
    return [row for row in read if row is not None]


def _read_row(
    kind: type[T], position: str, data: Any, latest: datetime, bad: list[BadRow]
) -> _Row[T] | None:
    try:
        statement = from_json(kind, data)
    except MalformedValueError as error:
        bad.append(BadRow(position, str(error)))
        return None
    faults = _faults(statement, data, latest)
    bad += [BadRow(position, fault) for fault in faults]
    maker = canonical_machine_maker(statement.machine_maker)
    return None if faults or isinstance(maker, Unknown) else _Row(position, maker, statement)


def _faults(statement: Release | Review, data: Any, latest: datetime) -> list[str]:
    if isinstance(statement, Release):
        problems = check_release(statement)
    else:
        problems = check_names(statement)
    return [
        *(f"{problem.field}: {problem.says}" for problem in problems),
        *_ahead(statement, latest),
        *(f"{path}: no field is known by this name" for path in _unread(data, to_json(statement))),
    ]


def _ahead(statement: Release | Review, latest: datetime) -> Iterator[str]:
    """What a statement says of the future."""
    if isinstance(statement, Review):
        if statement.reviewed_at > latest:
            yield f"reviewed_at: expected a time that has been, got {statement.reviewed_at}"
    elif statement.released_on and statement.released_on > latest.date():
        yield f"released_on: expected a day that has been, got {statement.released_on}"


def _unread(data: Any, read: Any, path: str = "") -> list[str]:
    """The paths of keys in `data` that `read` does not have."""
    if isinstance(data, dict) and isinstance(read, dict):
        paths = {name: f"{path}.{name}" if path else name for name in data}
        unread = [paths[name] for name in data if name not in read]
        inner = [
            each
            for name in data
            if name in read
            for each in _unread(data[name], read[name], paths[name])
        ]
        return unread + inner
    if isinstance(data, list) and isinstance(read, list):
        pairs = zip(data, read, strict=True)
        return [
            each
            for index, (item, was) in enumerate(pairs)
            for each in _unread(item, was, f"{path}[{index}]")
        ]
    return []


def _contradictions(rows: list[_Row[Release]]) -> list[BadRow]:
    return [
        BadRow(
            rows[each.second].position,
            f"says otherwise than {rows[each.first].position} in {', '.join(each.differ_in)}",
        )
        for each in contradictions([row.statement for row in rows])
    ]


# ---- storing ----------------------------------------------------------------------------------


def _record(
    site: Site,
    connection: Connection,
    who: Who,
    releases: list[_Row[Release]],
    reviews: list[_Row[Review]],
) -> Imported:
    now, imported = site.clock(), Imported()
    touched: list[tuple[str, Release | Review]] = [
        *_record_releases(connection, who, releases, imported.releases, now),
        *_record_reviews(connection, who, reviews, imported.reviews, now),
    ]
    renew_needs_of(site, connection, touched, now)
    return imported


def _record_releases(
    connection: Connection, who: Who, rows: list[_Row[Release]], tally: Tally, now: datetime
) -> list[tuple[str, Release]]:
    """Each release that was added or changed, and what it replaced, with its maker."""
    known = store.releases_of(connection, {row.maker for row in rows})
    of_version: dict[tuple[str, str], list[StoredRelease]] = {}
    for each in known:
        of_version.setdefault((each.maker, each.release.version_text), []).append(each)
    touched: list[tuple[str, Release]] = []
    met: set[int] = set()  # ids that an earlier row of the document speaks of
    for row in rows:
        others = of_version.setdefault((row.maker, row.statement.version_text), [])
        was = _replaced(row, others, met)
        if was is None:
            tally.added += 1
            added = store.add_release(connection, row.maker, row.statement, now)
            was = StoredRelease(added, row.maker, row.statement)
            others.append(was)
            audit.record(
                connection,
                who,
                now,
                "release.add",
                f"release #{was.id}",
                after=to_json(row.statement),
            )
            touched.append((row.maker, row.statement))
        elif was.release == row.statement:
            tally.unchanged += 1
        else:
            tally.changed += 1
            store.change_release(connection, was.id, row.statement, now)
            audit.record(
                connection,
                who,
                now,
                "release.change",
                f"release #{was.id}",
                before=to_json(was.release),
                after=to_json(row.statement),
            )
            others[others.index(was)] = StoredRelease(was.id, row.maker, row.statement)
            touched += [(row.maker, was.release), (row.maker, row.statement)]
        met.add(was.id)
    return touched


def _replaced(
    row: _Row[Release], others: list[StoredRelease], met: set[int]
) -> StoredRelease | None:
    """The recorded release that a row replaces, if any."""
    same = [each for each in others if is_about_the_same(each.release, row.statement)]
    if any(each.id in met and each.release != row.statement for each in same):
        reason = "models: an earlier row of this version names some of them too; make them one row"
        raise BadRowsError([BadRow(row.position, reason)])
    if len(same) > 1:
        reason = "models: they belong to several recorded releases of this version; change those"
        raise BadRowsError([BadRow(row.position, reason)])
    return same[0] if same else None


def _record_reviews(
    connection: Connection, who: Who, rows: list[_Row[Review]], tally: Tally, now: datetime
) -> list[tuple[str, Review]]:
    known = set(store.reviews_of(connection, {row.maker for row in rows}))
    touched: list[tuple[str, Review]] = []
    for row in rows:
        if row.statement in known:
            tally.unchanged += 1
            continue
        known.add(row.statement)
        tally.added += 1
        store.add_review(connection, row.maker, row.statement, now)
        after = to_json(row.statement)
        audit.record(connection, who, now, "review.add", f"reviews of {row.maker}", after=after)
        touched.append((row.maker, row.statement))
    return touched
