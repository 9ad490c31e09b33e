"""Statements that are executed again and again, made ready once for each kind of database.

SQLAlchemy goes through a statement anew whenever it is executed, and for each of its rows: of what
reports read and write, that took longer than the database itself.
"""

from collections import namedtuple
from collections.abc import Callable, Mapping, Sequence
from contextlib import closing
from typing import Any

from sqlalchemy import Connection, Dialect, Insert, Select, Table, bindparam, insert
from sqlalchemy.exc import DBAPIError
from sqlalchemy.sql.base import Executable
from sqlalchemy.sql.dml import UpdateBase
from sqlalchemy.types import TypeEngine

Convert = Callable[[Any], Any]
Parameters = dict[str, Any] | tuple[Any, ...]


class PreparedChange:
    """An insert, update or delete without a result; all its values are parameters with names."""

    def __init__(self, statement: UpdateBase) -> None:
        self._statement = statement
        self._ready: dict[str, _Ready] = {}  # by the name of the dialect

    def execute(self, connection: Connection, rows: Sequence[Mapping[str, Any]]) -> None:
        """Execute it for each row, which has a value for each parameter."""
        if not rows:
            return
        dialect = connection.dialect
        if dialect.name not in self._ready:
            self._ready[dialect.name] = _Ready(self._statement, dialect)
        ready = self._ready[dialect.name]
        connection.exec_driver_sql(ready.text, [ready.parameters(row) for row in rows])


class PreparedQuery:
    """A query; it is handed to the driver, since SQLAlchemy describes each result anew."""

    def __init__(self, statement: Select[*tuple[Any, ...]]) -> None:
        self._statement = statement
        self._ready: dict[str, _ReadyQuery] = {}  # by the name of the dialect

    def rows(self, connection: Connection, **values: Any) -> list[Any]:
        """What it finds, as named tuples; a column without a plain name is known by its place.

        A connection on which it fails is not used again.
        """
        dialect = connection.dialect
        if dialect.name not in self._ready:
            self._ready[dialect.name] = _ReadyQuery(self._statement, dialect)
        ready = self._ready[dialect.name]
        parameters = ready.parameters(values)
        try:
            with closing(connection.connection.cursor()) as cursor:
                cursor.execute(ready.text, parameters)
                return ready.rows(cursor.fetchall())
        except dialect.loaded_dbapi.Error as error:
            connection.invalidate(error)
            raise DBAPIError.instance(
                ready.text, parameters, error, dialect.loaded_dbapi.Error, dialect=dialect
            ) from error


def whole_rows(table: Table) -> Insert:
    """An insert of rows that have every column of a table, by its name."""
    return insert(table).values({column.name: bindparam(column.name) for column in table.c})


class _Ready:
    """A statement as the driver takes it."""

    def __init__(self, statement: Executable, dialect: Dialect) -> None:
        compiled: Any = statement.compile(dialect=dialect)  # type: ignore[attr-defined]
        names = compiled.positiontup if compiled.positional else list(compiled.binds)
        self.text = str(compiled)
        self._has_names = not compiled.positional
        self._converts = [(name, _bound(compiled.binds[name].type, dialect)) for name in names]
        self._own = {  # that stand in the statement itself
            name: bind.value for name, bind in compiled.binds.items() if not bind.required
        }

    def parameters(self, given: Mapping[str, Any]) -> Parameters:
        values = {**self._own, **given} if self._own else given
        if self._has_names:
            return {name: convert(values[name]) for name, convert in self._converts}
        return tuple([convert(values[name]) for name, convert in self._converts])


class _ReadyQuery(_Ready):
    """And what the driver's rows become."""

    def __init__(self, statement: Select[*tuple[Any, ...]], dialect: Dialect) -> None:
        super().__init__(statement, dialect)
        columns = statement.selected_columns
        kinds = [column.type.dialect_impl(dialect) for column in columns]
        converts = [kind.result_processor(dialect, None) for kind in kinds]
        self._found = [(place, convert) for place, convert in enumerate(converts) if convert]
        names = [getattr(column, "name", "") for column in columns]
        self._named: Any = namedtuple("Found", names, rename=True)  # type: ignore[misc]

    def rows(self, found: Sequence[Sequence[Any]]) -> list[Any]:
        rows = [list(row) for row in found]
        for row in rows:
            for place, convert in self._found:
                row[place] = convert(row[place])
        return [self._named._make(row) for row in rows]


def _bound(kind: TypeEngine[Any], dialect: Dialect) -> Convert:
    return kind.dialect_impl(dialect).bind_processor(dialect) or _as_it_is


def _as_it_is(value: Any) -> Any:
    return value
