"""Whether reports and people can be served now, for whoever sends requests here.

A process may live and yet be of no use: its database does not answer or is of another version, its
disk is full, or more reports wait than it takes. Each such trouble is told in words.
"""

import os
from collections.abc import Iterator
from pathlib import Path

from flashworthy_server import schema
from flashworthy_server.errors import DatabaseError
from flashworthy_server.services.ingest import is_full
from flashworthy_server.site import Site

_TRIED_BYTES = 65_536  # written to see whether there is room


def troubles(site: Site) -> list[str]:
    """Why nothing can be served; none: all is well."""
    return [*_of_database(site), *_of_disk(site.database.file), *_of_intake(site)]


def _of_database(site: Site) -> Iterator[str]:
    try:
        schema.require_current(site.database)
    except DatabaseError:
        yield "the database is not there, does not answer or is of another version"


def _of_disk(database: Path | None) -> Iterator[str]:
    """Of the folder of a SQLite file, by writing into it; other databases see to theirs."""
    if database is None:
        return
    tried = database.with_name(f"{database.name}-tried-{os.getpid()}")
    try:
        tried.write_bytes(bytes(_TRIED_BYTES))
    except OSError as error:
        yield f"the disk of the database cannot be written: {error.strerror}"
    finally:
        tried.unlink(missing_ok=True)


def _of_intake(site: Site) -> Iterator[str]:
    if is_full(site):
        yield "more reports wait than are taken"
