"""A site moves into another database: all of it, verified, or nothing.

- Nobody writes to the old database meanwhile; it is only read, and stays as it is.
- The new one is filled in one transaction, which is committed once every table has as many rows
  and the same digest there: a move that is cut short leaves nothing behind, and is begun anew.
- A finished move may be repeated, as from a trial to the day itself, as long as nothing was
  reported to the new database or changed in it. Any other database that holds rows is refused.
"""

from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass

from flashworthy_server import schema
from flashworthy_server.db import Connection, Database
from flashworthy_server.errors import DatabaseError
from flashworthy_server.services import audit
from flashworthy_server.services.who import Who
from flashworthy_server.site import Site
from flashworthy_server.store import history, moving
from flashworthy_server.store.moving import Digest

Progress = Callable[[str, int, int], None]  # what, how many are done, of how many


@dataclass(frozen=True, slots=True)
class Moved:
    """What the new database holds now: the rows of each table, with their digests."""

    tables: dict[str, Digest]

    @property
    def rows(self) -> int:
        return sum(digest.rows for digest in self.tables.values())


def move(site: Site, who: Who, target: Database, progress: Progress) -> Moved:
    """Copy a site into another database.

    Raises:
        DatabaseError: the other database holds something else, or what lies in it differs.
    """
    schema.make_file(target)
    with site.database.writing() as old, target.writing() as new:
        target.dialect.require_fit(new)
        _require_place(new, target)
        schema.make_anew(new)
        months = [month.first for month in history.load_months(old)]
        target.dialect.make_months(new, months)
        with target.dialect.without_triggers(new):
            moved = Moved(_copied(old, new, progress))
        _verify(new, moved, progress)
        target.dialect.go_on_counting(new)
        told = {"from": site.database.name, "to": target.name, "rows": moved.rows}
        audit.record(new, who, site.clock(), "database.move", "database", after=told)
        moving.leave_mark(new, site.clock())
    return moved


def _require_place(new: Connection, target: Database) -> None:
    if schema.is_new(new):
        return
    if not schema.is_current(new) or not moving.is_unused(new):
        raise DatabaseError(
            "expected an empty database, or one in which nothing happened since a move:"
            f" {target.name} holds something else"
        )


def _copied(old: Connection, new: Connection, progress: Progress) -> dict[str, Digest]:
    found = {}
    for table in moving.TABLES:
        total, digest = moving.count_rows(old, table), Digest()
        with closing(moving.rows_of(old, table)) as parts:
            for rows in parts:
                moving.add_rows(new, table, rows)
                digest.add(rows)
                progress(f"{table.name} copied", digest.rows, total)
        found[table.name] = digest
    return found


def _verify(new: Connection, moved: Moved, progress: Progress) -> None:
    for table in moving.TABLES:
        copied = moved.tables[table.name]
        for found in moving.digest_of(new, table):
            progress(f"{table.name} verified", found.rows, copied.rows)
        if (found.rows, str(found)) != (copied.rows, str(copied)):
            raise DatabaseError(
                f"{table.name}: {copied.rows} rows with the digest {copied} were copied, and"
                f" {found.rows} with {found} lie there; nothing was moved"
            )
