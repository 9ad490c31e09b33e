"""The version of the tables: brought up to date by `migrate`, and asked for at every start."""

from alembic import command
from alembic.config import Config as AlembicConfig
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from alembic.util import CommandError
from sqlalchemy.exc import DBAPIError

from flashworthy_server.db import Database
from flashworthy_server.errors import DatabaseError

_OF_OTHERS = 0o077  # rights of the group and of everyone
_WHAT_TO_DO = "run: flashworthy-server migrate"


def migrate(database: Database) -> None:
    """Bring the tables to the version that this program needs; does nothing where they are.

    The file of a new SQLite database is for its owner only: reports tell of people.
    """
    try:
        if database.missing_file:
            database.missing_file.touch(mode=0o600)
        with database.writing() as connection:
            settings = _settings()
            settings.attributes["connection"] = connection
            command.upgrade(settings, "head")
    except DBAPIError as error:
        raise _cannot_use(database, error.orig) from error
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
            found = MigrationContext.configure(connection).get_current_revision()
    except DBAPIError as error:
        raise _cannot_use(database, error.orig) from error
    needed = ScriptDirectory.from_config(_settings()).get_current_head()
    if found != needed:
        raise DatabaseError(
            f"{database.name} is at version {found or 'none'},"
            f" this program needs {needed}; {_WHAT_TO_DO}"
        )


def _settings() -> AlembicConfig:
    settings = AlembicConfig()
    settings.set_main_option("script_location", "flashworthy_server:migrations")
    return settings


def _cannot_use(database: Database, because: object) -> DatabaseError:
    return DatabaseError(f"cannot use {database.name}: {because}")
