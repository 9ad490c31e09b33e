"""What tells a database how not to find rows."""

from typing import Any

from sqlalchemy import ColumnElement
from sqlalchemy.ext.compiler import compiles
from sqlalchemy.sql.functions import FunctionElement


class unlisted(FunctionElement[Any]):  # noqa: N801  (reads as a function, as SQLAlchemy's do)
    """The same value, and nothing that an index begins with or is sorted by.

    To SQLite a plus says so ("The SQLite Query Optimizer Overview"), and costs nothing.
    """

    inherit_cache = True

    def __init__(self, column: ColumnElement[Any]) -> None:
        self.type = column.type
        super().__init__(column)


@compiles(unlisted, "sqlite")
def _unlisted_on_sqlite(element: unlisted, compiler: Any, **options: Any) -> str:
    return f"+{compiler.process(element.clauses, **options)}"


@compiles(unlisted, "postgresql")
def _unlisted_on_postgresql(element: unlisted, compiler: Any, **options: Any) -> str:
    column = compiler.process(element.clauses, **options)
    return f"coalesce({column}, {column})"
