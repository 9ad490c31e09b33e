"""Machines as files, some at a time, so that memory stays flat: CSV (RFC 4180) and JSON.

The database writes each of them (`store.export`); here they become one file.
"""

import json
from collections.abc import Iterator
from typing import Any

from flashworthy_server.services.machines import EXPORTED, LINE_END, Filters, Form, export_machines
from flashworthy_server.site import Site

CSV_TYPE = "text/csv"


def csv_of_machines(site: Site, filters: Filters) -> Iterator[str]:
    """A line of names, then one for each machine."""
    yield ",".join(EXPORTED) + LINE_END
    for lines in export_machines(site, filters, Form.CSV):
        yield lines
        yield LINE_END


def json_of_machines(site: Site, filters: Filters, others: dict[str, Any]) -> Iterator[str]:
    """One object: the list `machines`, and what else is said."""
    yield '{"machines":['
    is_first = True
    for objects in export_machines(site, filters, Form.JSON):
        if not is_first:
            yield ","
        yield objects
        is_first = False
    yield "]" + "".join(f",{_encoded(name)}:{_encoded(value)}" for name, value in others.items())
    yield "}"


_encoded = json.JSONEncoder(ensure_ascii=False, separators=(",", ":")).encode
