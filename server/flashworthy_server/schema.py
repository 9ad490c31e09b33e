"""The version of the tables: brought up to date by `migrate`, and asked for at every start."""

from alembic import command
from alembic.config import Config as AlembicConfig
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy.exc import OperationalError

from flashworthy_server.db import Database
from flashworthy_server.errors import DatabaseError


def migrate(database: Database) -> None:
    """Bring the tables to the version that this program needs; does nothing where they are."""
    try:
        with database.writing() as connection:
            settings = _settings()
            settings.attributes["connection"] = connection
            command.upgrade(settings, "head")
    except OperationalError as error:
        raise _cannot_open(database, error) from error


def require_current(database: Database) -> None:
    """Raise `DatabaseError` unless the tables are those that this program needs."""
    try:
        with database.reading() as connection:
            found = MigrationContext.configure(connection).get_current_revision()
    except OperationalError as error:
        raise _cannot_open(database, error) from error
    needed = ScriptDirectory.from_config(_settings()).get_current_head()
    if found != needed:
        raise DatabaseError(
            f"{_name(database)} is at version {found or 'none'}, this program needs {needed};"
            " run: flashworthy-server migrate"
        )


def _settings() -> AlembicConfig:
    settings = AlembicConfig()
    settings.set_main_option("script_location", "flashworthy_server:migrations")
    return settings


def _cannot_open(database: Database, error: OperationalError) -> DatabaseError:
    return DatabaseError(f"cannot use {_name(database)}: {error.orig}")


def _name(database: Database) -> str:
    return database.engine.url.render_as_string(hide_password=True)
