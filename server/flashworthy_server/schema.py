"""The version of the tables: brought up to date by `migrate`, and asked for at every start."""

from typing import TYPE_CHECKING

from sqlalchemy import inspect
from sqlalchemy.exc import DBAPIError

from flashworthy_server.db import Connection, Database
from flashworthy_server.errors import BusyError, DatabaseError
from flashworthy_server.tables import metadata

if TYPE_CHECKING:
    from alembic.config import Config as AlembicConfig

VERSION = "0001"  # of the tables that this program needs: the last of the migrations
_OF_OTHERS = 0o077  # rights of the group and of everyone
_WHAT_TO_DO = "run: flashworthy-server migrate"


def migrate(database: Database) -> None:
    """Bring the tables to the version that this program needs; does nothing where they are."""
    # Alembic is imported where it works: that takes most of a second, and most commands need none.
    from alembic.util import CommandError

    try:
        make_file(database)
        with database.writing() as connection:
            database.dialect.require_fit(connection)
            _upgrade(connection)
    except (DBAPIError, BusyError) as error:
        raise _cannot_use(database, _reason(error)) from error
    except CommandError as error:  # of a version that this program has never heard of
        raise _cannot_use(database, error) from error
    except OSError as error:
        raise _cannot_use(database, error.strerror) from error


def require_current(database: Database) -> None:
    """Raise `DatabaseError` unless the tables are those that this program needs.

    A SQLite file that others may read or write is refused: reports tell of people.
    """
    if database.missing_file:
        raise DatabaseError(f"{database.name} is not there; {_WHAT_TO_DO}")
    if database.file and database.file.stat().st_mode & _OF_OTHERS:
        raise DatabaseError(
            f"{database.name} is open to other users; run: chmod go= {database.file}"
        )
    try:
        with database.reading() as connection:
            found = _version(connection)
    except (DBAPIError, BusyError) as error:
        raise _cannot_use(database, _reason(error)) from error
    if found != VERSION:
        raise DatabaseError(
            f"{database.name} is at version {found or 'none'},"
            f" this program needs {VERSION}; {_WHAT_TO_DO}"
        )


def make_file(database: Database) -> None:
    """Make the file of a new SQLite database, for its owner only: reports tell of people."""
    if database.missing_file:
        database.missing_file.touch(mode=0o600)


def is_new(connection: Connection) -> bool:
    """Whether a database has no tables, of whatever program."""
    return not inspect(connection).get_table_names()


def is_current(connection: Connection) -> bool:
    """Whether the tables are those that this program needs."""
    return _version(connection) == VERSION


def make_anew(connection: Connection) -> None:
    """Make all tables, in place of those that are there, with all that is in them."""
    metadata.drop_all(connection)
    connection.exec_driver_sql("DROP TABLE IF EXISTS alembic_version")
    _upgrade(connection)


def _upgrade(connection: Connection) -> None:
    from alembic import command

    settings = _settings()
    settings.attributes["connection"] = connection
    command.upgrade(settings, "head")


def _version(connection: Connection) -> str | None:
    if not inspect(connection).has_table("alembic_version"):
        return None
    return connection.exec_driver_sql("SELECT version_num FROM alembic_version").scalar()


def _settings() -> "AlembicConfig":
    from alembic.config import Config as AlembicConfig

    settings = AlembicConfig()
    settings.set_main_option("script_location", "flashworthy_server:migrations")
    return settings


def _reason(error: DBAPIError | BusyError) -> object:
    """In the words of the database, where it said something."""
    said = error if isinstance(error, DBAPIError) else error.__cause__
    return said.orig if isinstance(said, DBAPIError) else error


def _cannot_use(database: Database, because: object) -> DatabaseError:
    return DatabaseError(f"cannot use {database.name}: {because}")
