"""What people recorded: releases and reviews."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, Row, insert, select, update

from flashworthy_common.makers import MachineMaker
from flashworthy_common.releases import Release, Review
from flashworthy_common.values import from_json, to_json
from flashworthy_server.tables import releases, reviews


@dataclass(frozen=True, slots=True)
class StoredRelease:
    id: int
    maker: str  # canonical
    release: Release


def releases_of(connection: Connection, makers: Iterable[str]) -> list[StoredRelease]:
    """Every release of some makers, by their canonical names."""
    query = select(releases).where(releases.c.maker.in_(list(makers))).order_by(releases.c.id)
    return [_release(row) for row in connection.execute(query)]


def load_releases(
    connection: Connection, *, maker: str | None, after: int, count: int
) -> list[StoredRelease]:
    """At most `count` releases with an id above `after`, oldest record first."""
    query = select(releases).where(releases.c.id > after)
    if maker is not None:
        query = query.where(releases.c.maker == maker)
    rows = connection.execute(query.order_by(releases.c.id).limit(count))
    return [_release(row) for row in rows]


def add_release(
    connection: Connection, maker: MachineMaker, release: Release, now: datetime
) -> int:
    added = connection.execute(
        insert(releases)
        .values(
            maker=maker, version_text=release.version_text, facts=to_json(release), recorded_at=now
        )
        .returning(releases.c.id)
    )
    return int(added.scalar_one())


def change_release(
    connection: Connection, release_id: int, release: Release, now: datetime
) -> None:
    connection.execute(
        update(releases)
        .where(releases.c.id == release_id)
        .values(facts=to_json(release), recorded_at=now)
    )


def reviews_of(connection: Connection, makers: Iterable[str]) -> list[Review]:
    query = select(reviews.c.facts).where(reviews.c.maker.in_(list(makers)))
    return [from_json(Review, facts) for facts in connection.scalars(query.order_by(reviews.c.id))]


def add_review(connection: Connection, maker: MachineMaker, review: Review, now: datetime) -> None:
    connection.execute(insert(reviews).values(maker=maker, facts=to_json(review), recorded_at=now))


def _release(row: Row[Any]) -> StoredRelease:
    return StoredRelease(row.id, row.maker, from_json(Release, row.facts))
