"""What people recorded of a maker's offer: releases and reviews."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import (
    ColumnElement,
    Connection,
    Row,
    Text,
    cast,
    delete,
    func,
    insert,
    select,
    update,
)

from flashworthy_common.releases import Release, Review
from flashworthy_common.values import from_json, to_json
from flashworthy_server.dialects.texts import holds
from flashworthy_server.store.statements import Kind, add_names, drop_names
from flashworthy_server.tables import release_advisories, releases, reviews


@dataclass(frozen=True, slots=True)
class StoredRelease:
    id: int
    maker: str  # canonical
    release: Release
    recorded_at: datetime


@dataclass(frozen=True, slots=True)
class StoredReview:
    id: int
    maker: str  # canonical
    review: Review
    recorded_at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class ReleaseFilters:
    """Which releases are meant; absent: all."""

    maker: str | None = None  # canonical
    state: str | None = None
    advisory: str | None = None
    text: str | None = None  # somewhere in what is recorded of it


# ---- releases ---------------------------------------------------------------------------------


def releases_by_id(connection: Connection, ids: Iterable[int]) -> dict[int, Release]:
    rows = connection.execute(
        select(releases.c.id, releases.c.facts).where(releases.c.id.in_(list(ids)))
    )
    return {row.id: from_json(Release, row.facts) for row in rows}


def load_releases_by_id(connection: Connection, ids: Iterable[int]) -> list[StoredRelease]:
    rows = connection.execute(select(releases).where(releases.c.id.in_(list(ids))))
    return [_release(row) for row in rows]


def load_release(connection: Connection, release_id: int) -> StoredRelease | None:
    row = connection.execute(select(releases).where(releases.c.id == release_id)).one_or_none()
    return None if row is None else _release(row)


def version_texts_of(connection: Connection, maker: str) -> Sequence[str]:
    """Every version text among the releases of a maker, by its canonical name."""
    texts = select(releases.c.version_text).where(releases.c.maker == maker).distinct()
    return connection.scalars(texts).all()


def releases_of_versions(
    connection: Connection, wanted: Iterable[tuple[str, str]]
) -> list[StoredRelease]:
    """Releases of makers, by canonical name, that have one of these version texts."""
    by_maker: dict[str, list[str]] = {}
    for maker, version_text in wanted:
        by_maker.setdefault(maker, []).append(version_text)
    found = []
    for maker, texts in by_maker.items():
        for start in range(0, len(texts), _AT_ONCE):
            some = releases.c.version_text.in_(texts[start:][:_AT_ONCE])
            rows = connection.execute(select(releases).where(releases.c.maker == maker, some))
            found += [_release(row) for row in rows]
    return found


_AT_ONCE = 500  # texts of one query


def load_releases(
    connection: Connection, filters: ReleaseFilters, *, after: int, count: int
) -> list[StoredRelease]:
    """At most `count` releases with an id above `after`, oldest record first."""
    wanted = select(releases).where(releases.c.id > after, *_conditions(filters))
    rows = connection.execute(wanted.order_by(releases.c.id).limit(count))
    return [_release(row) for row in rows]


def add_releases(
    connection: Connection, added: Sequence[tuple[str, Release]], now: datetime
) -> list[tuple[int, Any]]:
    """Add releases, each with its maker's canonical name; id and facts of each, in their order."""
    if not added:
        return []
    rows = [{"maker": maker, "recorded_at": now, **_columns(release)} for maker, release in added]
    statement = insert(releases).returning(releases.c.id, sort_by_parameter_order=True)
    ids = list(connection.scalars(statement, rows))
    _index(connection, zip(ids, added, strict=True))
    return [(id_, row["facts"]) for id_, row in zip(ids, rows, strict=True)]


def change_release(
    connection: Connection, release_id: int, maker: str, release: Release, now: datetime
) -> None:
    connection.execute(
        update(releases)
        .where(releases.c.id == release_id)
        .values(maker=maker, recorded_at=now, **_columns(release))
    )
    _drop_index(connection, release_id)
    _index(connection, [(release_id, (maker, release))])


def remove_release(connection: Connection, release_id: int) -> None:
    _drop_index(connection, release_id)
    connection.execute(delete(releases).where(releases.c.id == release_id))


def count_releases(connection: Connection) -> int:
    return int(connection.execute(select(func.count()).select_from(releases)).scalar_one())


def releases_naming(connection: Connection, advisories: Iterable[str]) -> list[StoredRelease]:
    """The releases that close one of these holes."""
    named = select(release_advisories.c.release_id).where(
        release_advisories.c.advisory.in_(list(advisories))
    )
    rows = connection.execute(select(releases).where(releases.c.id.in_(named)))
    return [_release(row) for row in rows]


def advisories_named(connection: Connection) -> set[str]:
    return set(connection.scalars(select(release_advisories.c.advisory).distinct()))


def _columns(release: Release) -> dict[str, Any]:
    return {
        "version_text": release.version_text,
        "state": release.state.value,
        "facts": to_json(release),
    }


def _index(connection: Connection, stored: Iterable[tuple[int, tuple[str, Release]]]) -> None:
    stored = list(stored)
    names = ((id_, maker, release.models) for id_, (maker, release) in stored)
    add_names(connection, Kind.RELEASE, names)
    holes = {
        (advisory, id_)
        for id_, (_, release) in stored
        for reason in release.reasons
        for advisory in reason.advisories
    }
    if holes:
        rows = [{"advisory": advisory, "release_id": id_} for advisory, id_ in sorted(holes)]
        connection.execute(insert(release_advisories), rows)


def _drop_index(connection: Connection, release_id: int) -> None:
    drop_names(connection, Kind.RELEASE, release_id)
    of_release = release_advisories.c.release_id == release_id
    connection.execute(delete(release_advisories).where(of_release))


def _conditions(filters: ReleaseFilters) -> list[ColumnElement[bool]]:
    found: list[ColumnElement[bool]] = []
    if filters.maker is not None:
        found.append(releases.c.maker == filters.maker)
    if filters.state is not None:
        found.append(releases.c.state == filters.state)
    if filters.advisory is not None:
        naming = select(release_advisories.c.release_id)
        found.append(releases.c.id.in_(naming.where(_is_named(filters.advisory))))
    if filters.text is not None:
        found.append(holds(cast(releases.c.facts, Text), filters.text))
    return found


def _is_named(advisory: str) -> ColumnElement[bool]:
    return release_advisories.c.advisory == advisory


def _release(row: Row[Any]) -> StoredRelease:
    return StoredRelease(row.id, row.maker, from_json(Release, row.facts), row.recorded_at)


# ---- reviews ----------------------------------------------------------------------------------


def reviews_by_id(connection: Connection, ids: Iterable[int]) -> dict[int, Review]:
    rows = connection.execute(
        select(reviews.c.id, reviews.c.facts).where(reviews.c.id.in_(list(ids)))
    )
    return {row.id: from_json(Review, row.facts) for row in rows}


def reviews_of(connection: Connection, makers: Iterable[str]) -> list[Review]:
    query = select(reviews.c.facts).where(reviews.c.maker.in_(list(makers)))
    return [from_json(Review, facts) for facts in connection.scalars(query.order_by(reviews.c.id))]


def all_reviews(connection: Connection) -> list[Review]:
    query = select(reviews.c.facts).order_by(reviews.c.id)
    return [from_json(Review, facts) for facts in connection.scalars(query)]


def add_review(connection: Connection, maker: str, review: Review, now: datetime) -> int:
    added = connection.execute(
        insert(reviews)
        .values(maker=maker, facts=to_json(review), recorded_at=now)
        .returning(reviews.c.id)
    )
    review_id = int(added.scalar_one())
    add_names(connection, Kind.REVIEW, [(review_id, maker, review.models)])
    return review_id


def load_reviews(
    connection: Connection, *, maker: str | None, before: int | None, count: int
) -> list[StoredReview]:
    """At most `count` reviews with an id below `before`, newest first."""
    query = select(reviews)
    if maker is not None:
        query = query.where(reviews.c.maker == maker)
    if before is not None:
        query = query.where(reviews.c.id < before)
    rows = connection.execute(query.order_by(reviews.c.id.desc()).limit(count))
    return [
        StoredReview(row.id, row.maker, from_json(Review, row.facts), row.recorded_at)
        for row in rows
    ]
