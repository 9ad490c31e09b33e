"""Many numbers as one parameter of a statement.

`IN` with a parameter for each makes another text for each count of them, which SQLAlchemy writes
anew whenever the statement is executed: that took as long as executing it.
"""

import json
from collections.abc import Iterable
from typing import Any

from sqlalchemy import (
    ARRAY,
    BigInteger,
    Boolean,
    ColumnElement,
    Dialect,
    Text,
    TypeDecorator,
    bindparam,
)
from sqlalchemy.ext.compiler import compiles
from sqlalchemy.sql.functions import FunctionElement
from sqlalchemy.types import TypeEngine


class _Numbers(TypeDecorator[Any]):
    impl = Text
    cache_ok = True

    def load_dialect_impl(self, dialect: Dialect) -> TypeEngine[Any]:
        has_lists = dialect.name == "postgresql"
        return dialect.type_descriptor(ARRAY(BigInteger()) if has_lists else Text())

    def process_bind_param(self, value: Iterable[int] | None, dialect: Dialect) -> Any:
        numbers = list(value or ())
        return numbers if dialect.name == "postgresql" else json.dumps(numbers)


class among(FunctionElement[bool]):  # noqa: N801  (reads as a function, as SQLAlchemy's do)
    """Whether a column's number is one of those that the statement is executed with, by a name."""

    inherit_cache = True
    type = Boolean()

    def __init__(self, column: ColumnElement[int], name: str) -> None:
        super().__init__(column, bindparam(name, type_=_Numbers()))

    def self_group(self, against: Any = None) -> Any:
        return self  # a condition as it is; a column would be held against 1


@compiles(among, "sqlite")
def _among_on_sqlite(element: among, compiler: Any, **options: Any) -> str:
    column, numbers = (compiler.process(each, **options) for each in element.clauses)
    return f"{column} IN (SELECT value FROM json_each({numbers}))"  # noqa: S608  (by the compiler)


@compiles(among, "postgresql")
def _among_on_postgresql(element: among, compiler: Any, **options: Any) -> str:
    column, numbers = (compiler.process(each, **options) for each in element.clauses)
    return f"{column} = ANY ({numbers})"
