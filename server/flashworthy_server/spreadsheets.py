"""Machines as files, some lines at a time, so that memory stays flat: CSV (RFC 4180) and JSON."""

import csv
import io
import json
from collections.abc import Iterable, Iterator
from typing import Any

from flashworthy_server.services.machines import EXPORTED, Row

CSV_TYPE = "text/csv"
_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")  # what a spreadsheet would run; OWASP
_ATTENTION = EXPORTED.index("attention")


def csv_of_machines(batches: Iterable[list[Row]]) -> Iterator[str]:
    """A line of names, then one for each machine."""
    yield _lines([EXPORTED])
    for rows in batches:
        for row in rows:
            row[_ATTENTION] = " ".join(row[_ATTENTION])
        yield _lines(map(_cells, rows))


def json_of_machines(batches: Iterable[list[Row]], others: dict[str, Any]) -> Iterator[str]:
    """One object: the list `machines`, and what else is said."""
    yield '{"machines":['
    between = ""
    for rows in batches:
        yield between + ",".join([_encoded(dict(zip(EXPORTED, row, strict=True))) for row in rows])
        between = ","
    yield "]" + "".join(f",{_encoded(name)}:{_encoded(value)}" for name, value in others.items())
    yield "}"


_encoded = json.JSONEncoder(ensure_ascii=False, separators=(",", ":")).encode


def _lines(rows: Iterable[Iterable[Any]]) -> str:
    lines = io.StringIO()
    csv.writer(lines).writerows(rows)
    return lines.getvalue()


def _cells(row: Row) -> Row:
    return [
        f"'{value}" if isinstance(value, str) and value.startswith(_FORMULA_STARTS) else value
        for value in row
    ]
