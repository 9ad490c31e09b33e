"""Machines as lines of CSV (RFC 4180), one at a time, so that memory stays flat."""

import csv
import io
from collections.abc import Iterable, Iterator
from typing import Any

from flashworthy_server.answers import MachineRowSchema
from flashworthy_server.services.machines import MachineRow

CSV_TYPE = "text/csv"
_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")  # what a spreadsheet would run; OWASP


def lines_of_machines(rows: Iterable[MachineRow]) -> Iterator[str]:
    """A line of names, then one for each machine."""
    schema = MachineRowSchema()
    yield _line(schema.fields)
    for row in rows:
        data = schema.dump(row)
        data["attention"] = " ".join(data["attention"])
        yield _line(data.values())


def _line(values: Iterable[Any]) -> str:
    line = io.StringIO()
    csv.writer(line).writerow(map(_cell, values))
    return line.getvalue()


def _cell(value: Any) -> Any:
    if isinstance(value, str) and value.startswith(_FORMULA_STARTS):
        return f"'{value}"
    return value
