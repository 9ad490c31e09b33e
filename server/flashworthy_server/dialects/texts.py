"""Texts that a database writes itself (times, dates, JSON, lines), and what a text holds."""

import re
from collections.abc import Iterator
from itertools import chain
from typing import Any

from sqlalchemy import Boolean, ColumnElement, Text, bindparam, literal, literal_column
from sqlalchemy.ext.compiler import compiles
from sqlalchemy.sql.functions import FunctionElement


class written_time(FunctionElement[str]):  # noqa: N801  (reads as a function, as SQLAlchemy's do)
    """A time as `flashworthy_common.values.write_time` writes it."""

    inherit_cache = True
    type = Text()


class written_date(FunctionElement[str]):  # noqa: N801
    """A date as ISO 8601 has it."""

    inherit_cache = True
    type = Text()


@compiles(written_time, "sqlite")
def _time_on_sqlite(element: written_time, compiler: Any, **options: Any) -> str:
    return f"{compiler.process(element.clauses, **options)} || 'Z'"  # as `UtcTime` keeps it


@compiles(written_date, "sqlite")
def _date_on_sqlite(element: written_date, compiler: Any, **options: Any) -> str:
    return str(compiler.process(element.clauses, **options))  # as it is kept


@compiles(written_time, "postgresql")
def _time_on_postgresql(element: written_time, compiler: Any, **options: Any) -> str:
    time = compiler.process(element.clauses, **options)
    whole = f"date_trunc('second', {time}) = {time}"
    form = f"CASE WHEN {whole} THEN 'SS\"Z\"' ELSE 'SS.MS\"Z\"' END"
    return f"to_char({time} AT TIME ZONE 'UTC', 'YYYY-MM-DD\"T\"HH24:MI:' || {form})"


@compiles(written_date, "postgresql")
def _date_on_postgresql(element: written_date, compiler: Any, **options: Any) -> str:
    return f"to_char({compiler.process(element.clauses, **options)}, 'YYYY-MM-DD')"


def holding(part: str) -> str:
    """The pattern of the texts that hold a part."""
    literally = re.sub("[%_/]", r"/\g<0>", part)
    return f"%{literally}%"


class holds(FunctionElement[bool]):  # noqa: N801
    """Whether a text holds another one, whichever case the letters A to Z have in either.

    All other letters must be the same: what SQLite's LIKE does, and does twice as fast as comparing
    what lower() makes of both.
    """

    inherit_cache = True
    type = Boolean()

    def __init__(self, text: ColumnElement[str], part: str | None = None) -> None:
        """
        Args:
            part: none: the statement is executed with it, as `holding` makes a `pattern` of it.
        """
        # cleaned as texts are
        pattern: ColumnElement[str] = bindparam("pattern", type_=text.type)
        if part is not None:
            pattern = literal(holding(part), text.type)
        super().__init__(text, pattern)

    def self_group(self, against: Any = None) -> Any:
        return self  # a condition as it is; a column would be held against 1


@compiles(holds, "sqlite")
def _holds_on_sqlite(element: holds, compiler: Any, **options: Any) -> str:
    text, pattern = (compiler.process(each, **options) for each in element.clauses)
    return f"{text} LIKE {pattern} ESCAPE '/'"


@compiles(holds, "postgresql")
def _holds_on_postgresql(element: holds, compiler: Any, **options: Any) -> str:
    text, pattern = (compiler.process(each, **options) for each in element.clauses)
    return f"{text} ILIKE {pattern} COLLATE \"C\" ESCAPE '/'"


class line_of_csv(FunctionElement[str]):  # noqa: N801
    """Values with commas between, without what would end a line; nothing for one that is not there.

    A quotation mark within a text must be doubled already.
    """

    inherit_cache = True
    type = Text()

    def __init__(self, *values: ColumnElement[Any]) -> None:
        """
        Args:
            values: those that are `in_quotes` stand in quotation marks.
        """
        super().__init__(*values)


class in_quotes(FunctionElement[str]):  # noqa: N801
    """Marks a value of a line."""

    inherit_cache = True
    type = Text()


@compiles(in_quotes)
def _quoted(element: in_quotes, compiler: Any, **options: Any) -> str:
    return str(compiler.process(element.clauses, **options))


@compiles(line_of_csv, "sqlite")
def _line_on_sqlite(element: line_of_csv, compiler: Any, **options: Any) -> str:
    return f"printf({_form_and_values(element, '%s', compiler, options)})"


@compiles(line_of_csv, "postgresql")
def _line_on_postgresql(element: line_of_csv, compiler: Any, **options: Any) -> str:
    return f"format({_form_and_values(element, '%%s', compiler, options)})"  # the driver halves it


def _form_and_values(element: line_of_csv, cell: str, compiler: Any, options: Any) -> str:
    """One call for all of them: functions are what costs here."""
    values = list(element.clauses)
    form = ",".join(f'"{cell}"' if isinstance(each, in_quotes) else cell for each in values)
    return ", ".join([f"'{form}'", *(compiler.process(each, **options) for each in values)])


class json_object(FunctionElement[str]):  # noqa: N801
    """A JSON object, as text (RFC 8259)."""

    inherit_cache = True
    type = Text()

    def __init__(self, **values: ColumnElement[Any]) -> None:
        pairs: Iterator[Any] = (
            (literal_column(f"'{name}'"), value) for name, value in values.items()
        )
        super().__init__(*chain.from_iterable(pairs))


@compiles(json_object, "sqlite")
def _object_on_sqlite(element: json_object, compiler: Any, **options: Any) -> str:
    return f"json_object({compiler.process(element.clauses, **options)})"


@compiles(json_object, "postgresql")
def _object_on_postgresql(element: json_object, compiler: Any, **options: Any) -> str:
    return f"CAST(json_build_object({compiler.process(element.clauses, **options)}) AS TEXT)"


class json_value(FunctionElement[str]):  # noqa: N801
    """A text of JSON that stands in an object as what it says, and not as a text."""

    inherit_cache = True
    type = Text()


@compiles(json_value, "sqlite")
def _value_on_sqlite(element: json_value, compiler: Any, **options: Any) -> str:
    return f"json({compiler.process(element.clauses, **options)})"


@compiles(json_value, "postgresql")
def _value_on_postgresql(element: json_value, compiler: Any, **options: Any) -> str:
    return f"CAST({compiler.process(element.clauses, **options)} AS JSON)"
