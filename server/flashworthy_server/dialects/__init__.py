"""What differs between SQLite and PostgreSQL; the rest of the server is the same on both.

- ``dialect``: what is asked of each
- ``sqlite``, ``postgresql``: how each does it
- ``texts``: times and dates that a database writes itself, and what a text holds
- ``many``: many numbers as one parameter
- ``prepared``: statements that are made ready for the driver once
- `upsert`: PostgreSQL's INSERT ... ON CONFLICT; SQLite understands the same words
"""

from sqlalchemy import URL
from sqlalchemy.dialects.postgresql import insert as upsert

from flashworthy_server.dialects.dialect import Dialect
from flashworthy_server.dialects.postgresql import PostgreSQL
from flashworthy_server.dialects.sqlite import Sqlite
from flashworthy_server.errors import ConfigurationError

__all__ = ["Dialect", "dialect_of", "unusable", "upsert"]


def dialect_of(url: URL) -> Dialect:
    """The dialect of a URL.

    Raises:
        ConfigurationError: the server does not know the database.
    """
    match url.get_backend_name():
        case "sqlite":
            return Sqlite(url)
        case "postgresql":
            return PostgreSQL(url)
    raise unusable(url.render_as_string(hide_password=True))


def unusable(url: str) -> ConfigurationError:
    return ConfigurationError(
        "expected a database URL such as sqlite:///flashworthy.db or"
        f" postgresql://flashworthy@db.example/flashworthy, got {url!r}"
    )
