"""Machines as files, some lines at a time, so that memory stays flat: CSV (RFC 4180) and JSON."""

import csv
import io
import json
from collections.abc import Iterable, Iterator
from typing import Any

from flashworthy_server.services.machines import EXPORTED, Row

CSV_TYPE = "text/csv"
_FORMULA_STARTS = "=+-@\t\r"  # what a spreadsheet would run; OWASP
_FROM_OUTSIDE = [  # the columns that can hold any text
    EXPORTED.index(name)
    for name in ("name", "place", "marked", "maker", "model", "board", "version_text", "sentence")
]
_ATTENTION = EXPORTED.index("attention")


def csv_of_machines(batches: Iterable[list[Row]]) -> Iterator[str]:
    """A line of names, then one for each machine."""
    yield _lines([EXPORTED])
    for rows in batches:
        for row in rows:
            _fit_for_cells(row)
        yield _lines(rows)


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


def _fit_for_cells(row: Row) -> None:
    row[_ATTENTION] = " ".join(row[_ATTENTION])
    for place in _FROM_OUTSIDE:
        if (text := row[place]) and text[0] in _FORMULA_STARTS:
            row[place] = f"'{text}"
