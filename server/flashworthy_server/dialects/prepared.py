"""A statement that is executed for many rows, made ready once for each kind of database.

SQLAlchemy looks through the whole statement for each row anew. For what every report writes, that
took longer than the database itself.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, Dialect, Insert, Table, bindparam, insert
from sqlalchemy.sql.compiler import SQLCompiler
from sqlalchemy.sql.dml import UpdateBase

Row = Mapping[str, Any]


class Prepared:
    """An insert, update or delete without a result; all its values are parameters with names."""

    def __init__(self, statement: UpdateBase) -> None:
        self._statement = statement
        self._ready: dict[str, _Ready] = {}  # by the name of the dialect

    def execute(self, connection: Connection, rows: Sequence[Row]) -> None:
        """Execute it for each row, which has a value for each parameter."""
        if not rows:
            return
        dialect = connection.dialect
        if dialect.name not in self._ready:
            self._ready[dialect.name] = _made_ready(self._statement, dialect)
        ready = self._ready[dialect.name]
        parameters = ready.by_name if ready.has_names else ready.in_order
        connection.exec_driver_sql(ready.text, [parameters(row) for row in rows])


def whole_rows(table: Table) -> Insert:
    """An insert of rows that have every column of a table, by its name."""
    return insert(table).values({column.name: bindparam(column.name) for column in table.c})


@dataclass(frozen=True, slots=True)
class _Ready:
    text: str
    values: list[tuple[str, Callable[[Any], Any]]]  # each parameter, and what converts its value
    has_names: bool  # otherwise its parameters stand in their order

    def by_name(self, row: Row) -> dict[str, Any]:
        return {name: convert(row[name]) for name, convert in self.values}

    def in_order(self, row: Row) -> tuple[Any, ...]:
        return tuple([convert(row[name]) for name, convert in self.values])


def _made_ready(statement: UpdateBase, dialect: Dialect) -> _Ready:
    compiled = statement.compile(dialect=dialect)
    names = compiled.positiontup if compiled.positional else list(compiled.binds)
    values = [(name, _converter(compiled, name)) for name in names or ()]
    return _Ready(str(compiled), values, not compiled.positional)


def _converter(compiled: SQLCompiler, name: str) -> Callable[[Any], Any]:
    kind = compiled.binds[name].type.dialect_impl(compiled.dialect)
    return kind.bind_processor(compiled.dialect) or _as_it_is


def _as_it_is(value: Any) -> Any:
    return value
