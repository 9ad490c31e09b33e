"""Many numbers or texts as one parameter of a statement.

`IN` with a parameter for each makes another text for each count of them, which SQLAlchemy writes
anew whenever the statement is executed: that took as long as executing it.
"""

import json
from collections.abc import Callable, Iterable
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


class Numbers(TypeDecorator[Any]):
    """A list of whole numbers."""

    impl = Text
    cache_ok = True
    each: TypeEngine[Any] = BigInteger()

    def load_dialect_impl(self, dialect: Dialect) -> TypeEngine[Any]:
        has_lists = dialect.name == "postgresql"
        return dialect.type_descriptor(ARRAY(self.each) if has_lists else Text())

    def process_bind_param(self, value: Iterable[Any] | None, dialect: Dialect) -> Any:
        values = list(value or ())
        return values if dialect.name == "postgresql" else json.dumps(values)


class Texts(Numbers):
    """A list of texts, which the database itself has: they are not cleaned."""

    cache_ok = True
    each = Text()


class among(FunctionElement[bool]):  # noqa: N801  (reads as a function, as SQLAlchemy's do)
    """Whether a column's value is one of those that the statement is executed with, by a name."""

    inherit_cache = True
    type = Boolean()

    def __init__(
        self, column: ColumnElement[Any], name: str, kind: Callable[[], Numbers] = Numbers
    ) -> None:
        super().__init__(column, bindparam(name, type_=kind()))

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
