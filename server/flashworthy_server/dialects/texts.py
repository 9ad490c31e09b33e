"""Times and dates that a database writes itself, as text."""

from typing import Any

from sqlalchemy import Text
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
    text = compiler.process(element.clauses, **options)
    digits = f"CASE substr({text}, 21) WHEN '000000' THEN 19 ELSE 23 END"
    return f"replace(substr({text}, 1, {digits}), ' ', 'T') || 'Z'"


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
