"""How fast a site moves from SQLite to PostgreSQL: `python tests/bench/move.py [MACHINES]`.

A copy of a site (`sites`) moves as `flashworthy-server move` does it: copied in one transaction,
with indexes, and read again to be verified. PostgreSQL is a real one (`support.postgres`; it does
not wait for the disk). Prints rows a second, with the floor in the same run: reading all rows by
`sqlite3` and writing them by psycopg's COPY, into tables without keys, indexes and rules.
"""

import sqlite3
import sys
import tempfile
import time
from contextlib import closing
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent))

import psycopg
import sites
from psycopg import sql
from sqlalchemy import BigInteger, Boolean, LargeBinary, Table

from flashworthy_server.config import config_from
from flashworthy_server.db import Database
from flashworthy_server.services import moving
from flashworthy_server.site import open_site
from flashworthy_server.store.moving import TABLES
from flashworthy_server.tables import Id
from support.figures import Figure, Figures, options
from support.postgres import Cluster, missing
from support.site import WHO

AT_ONCE, WAIT_SECONDS = 2_000, 5


def floor_rows(database: Path, url: str) -> int:
    """Copy every row as it lies there; how many."""
    with (
        closing(sqlite3.connect(f"file:{database}?mode=ro", uri=True)) as old,
        psycopg.connect(url) as new,
    ):
        return sum(_copied(old, new, table) for table in TABLES)


def _copied(old: sqlite3.Connection, new: psycopg.Connection, table: Table) -> int:
    columns = sql.SQL(", ").join(
        sql.SQL("{} {}").format(sql.Identifier(each.name), sql.SQL(_kind(each.type)))
        for each in table.columns
    )
    name, count = sql.Identifier(table.name), 0
    new.execute(sql.SQL("CREATE TABLE {} ({})").format(name, columns))
    found = old.execute(f'SELECT * FROM "{table.name}"')
    with new.cursor().copy(sql.SQL("COPY {} FROM STDIN").format(name)) as copy:
        while rows := found.fetchmany(AT_ONCE):
            for row in rows:
                copy.write_row(row)
            count += len(rows)
    return count


def _kind(kind: object) -> str:
    """What holds a value as SQLite gives it."""
    if isinstance(kind, LargeBinary | Id):
        return "bytea"
    return "bigint" if isinstance(kind, BigInteger | Boolean) else "text"


def moved_rows(database: Path, folder: Path, url: str) -> int:
    packages = str(folder / "packages")
    site = open_site(config_from({"database": f"sqlite:///{database}", "packages": packages}))
    target = Database(url, WAIT_SECONDS)
    try:
        return moving.move(site, WHO, target, lambda *_: None).rows
    finally:
        target.close()
        site.database.close()


def main() -> None:
    parser = options(__doc__)
    parser.add_argument("machines", type=int, nargs="?", default=100_000)
    parser.add_argument("--mix", choices=sites.MIXES, default="office")
    parser.add_argument("--folder", type=Path, default=sites.FOLDER)
    asked, figures = parser.parse_args(), Figures("move")
    if why := missing():
        sys.exit(why)
    made = sites.site_file(asked.machines, asked.mix, asked.folder)
    with tempfile.TemporaryDirectory(dir=asked.folder) as name, Cluster() as cluster:
        database = sites.a_copy(made, Path(name))
        database.chmod(0o600)
        start = time.perf_counter()
        rows = floor_rows(database, cluster.make_database("floor"))
        floor = rows / (time.perf_counter() - start)
        start = time.perf_counter()
        moved = moved_rows(database, Path(name), cluster.make_database("site"))
        seconds = time.perf_counter() - start
    what = f"a site of {asked.machines:,} machines, {moved:,} rows"
    figures.tell(
        Figure(what, moved / seconds, "rows/s", floor=floor, floor_is="sqlite3 and COPY alone")
    )
    figures.tell(Figure("the whole move", seconds, "s"))
    figures.write(asked.json)


if __name__ == "__main__":
    main()
