"""Kept packages and board dumps: what each is for, and whether its file was intact."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, Row, delete, insert, select, update

from flashworthy_common.releases import Package
from flashworthy_common.values import from_json, to_json
from flashworthy_server.db import upsert
from flashworthy_server.store.statements import Kind, add_names, drop_names
from flashworthy_server.tables import package_files, packages


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredPackage:
    id: int
    sha256: str  # hex
    size_bytes: int
    maker: str  # canonical
    package: Package
    machine_id: int | None  # of a board dump: the only machine that it is for
    file_name: str
    source: str
    published_digest: str | None
    kept_by: str
    kept_at: datetime
    verified_at: datetime
    damage: str | None  # none: its file was intact when it was read last


_SELECT = select(
    packages,
    package_files.c.size_bytes,
    package_files.c.verified_at,
    package_files.c.damage,
).join(package_files, package_files.c.sha256 == packages.c.sha256)


def add_file(connection: Connection, sha256: str, size_bytes: int, now: datetime) -> None:
    """Note an intact file; one that was damaged is whole again."""
    values = {"size_bytes": size_bytes, "verified_at": now, "damage": None}
    statement = upsert(package_files).values(sha256=sha256, **values)
    connection.execute(statement.on_conflict_do_update(index_elements=["sha256"], set_=values))


def save_verified(connection: Connection, sha256: str, now: datetime, damage: str | None) -> None:
    connection.execute(
        update(package_files)
        .where(package_files.c.sha256 == sha256)
        .values(verified_at=now, damage=damage)
    )


def all_files(connection: Connection) -> list[tuple[str, str | None]]:
    """Digest of every file that should be there, and what is known to be wrong with it."""
    query = select(package_files.c.sha256, package_files.c.damage)
    return [(row.sha256, row.damage) for row in connection.execute(query.order_by("sha256"))]


def add_package(
    connection: Connection,
    *,
    sha256: str,
    maker: str,
    package: Package,
    machine_id: int | None,
    file_name: str,
    source: str,
    published_digest: str | None,
    kept_by: str,
    now: datetime,
) -> int:
    """Add what a file is for; a board dump is found by its machine, never by models."""
    added = connection.execute(
        insert(packages)
        .values(
            sha256=sha256,
            maker=maker,
            facts=to_json(package),
            machine_id=machine_id,
            file_name=file_name,
            source=source,
            published_digest=published_digest,
            kept_by=kept_by,
            kept_at=now,
        )
        .returning(packages.c.id)
    )
    package_id = int(added.scalar_one())
    if machine_id is None:
        add_names(connection, Kind.PACKAGE, [(package_id, maker, package.models)])
    return package_id


def load_package(connection: Connection, package_id: int) -> StoredPackage | None:
    row = connection.execute(_SELECT.where(packages.c.id == package_id)).one_or_none()
    return None if row is None else _package(row)


def load_packages(
    connection: Connection, *, maker: str | None, after: int, count: int
) -> list[StoredPackage]:
    """At most `count` packages with an id above `after`, oldest first."""
    query = _SELECT.where(packages.c.id > after)
    if maker is not None:
        query = query.where(packages.c.maker == maker)
    return [_package(row) for row in connection.execute(query.order_by(packages.c.id).limit(count))]


def packages_with(connection: Connection, sha256: str) -> list[StoredPackage]:
    rows = connection.execute(_SELECT.where(packages.c.sha256 == sha256).order_by(packages.c.id))
    return [_package(row) for row in rows]


def intact_by_id(connection: Connection, ids: Iterable[int]) -> dict[int, StoredPackage]:
    query = _SELECT.where(packages.c.id.in_(list(ids)), package_files.c.damage.is_(None))
    return {row.id: _package(row) for row in connection.execute(query)}


def intact_packages_by_id(connection: Connection, ids: Iterable[int]) -> dict[int, Package]:
    query = _SELECT.where(packages.c.id.in_(list(ids)), package_files.c.damage.is_(None))
    return {row.id: from_json(Package, row.facts) for row in connection.execute(query)}


def intact_packages_of(connection: Connection, maker: str, *, but: int) -> list[Package]:
    """Every intact package of a maker, by its canonical name, but one; no board dumps."""
    query = _SELECT.where(
        packages.c.maker == maker,
        packages.c.id != but,
        packages.c.machine_id.is_(None),
        package_files.c.damage.is_(None),
    )
    return [from_json(Package, row.facts) for row in connection.execute(query)]


def remove_package(connection: Connection, package_id: int, sha256: str) -> bool:
    """Remove a package; whether its file belongs to nothing any more, and is forgotten too."""
    drop_names(connection, Kind.PACKAGE, package_id)
    connection.execute(delete(packages).where(packages.c.id == package_id))
    if packages_with(connection, sha256):
        return False
    connection.execute(delete(package_files).where(package_files.c.sha256 == sha256))
    return True


def intact_dumps_of_machines(
    connection: Connection, machine_ids: Iterable[int]
) -> dict[int, list[str]]:
    """By machine, the versions of which a read-out of its own board is kept."""
    found: dict[int, list[str]] = {}
    query = _SELECT.where(
        packages.c.machine_id.in_(list(machine_ids)), package_files.c.damage.is_(None)
    )
    for row in connection.execute(query.order_by(packages.c.id)):
        found.setdefault(row.machine_id, []).append(from_json(Package, row.facts).version_text)
    return found


def _package(row: Row[Any]) -> StoredPackage:
    return StoredPackage(
        id=row.id,
        sha256=row.sha256,
        size_bytes=row.size_bytes,
        maker=row.maker,
        package=from_json(Package, row.facts),
        machine_id=row.machine_id,
        file_name=row.file_name,
        source=row.source,
        published_digest=row.published_digest,
        kept_by=row.kept_by,
        kept_at=row.kept_at,
        verified_at=row.verified_at,
        damage=row.damage,
    )
