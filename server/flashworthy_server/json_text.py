"""JSON texts of reports and documents become values, and answers to reports JSON."""

import json
from typing import Any, NoReturn

import orjson


def loads(text: str | bytes) -> Any:
    """Decoded JSON as RFC 8259 knows it; Python's own ``NaN`` and ``Infinity`` are none.

    orjson takes half the time. What it does not take the standard library reads, such as half of a
    pair of UTF-16 in an escape, which a machine may have in a name; or says more exactly what is
    wrong with it.

    Raises:
        ValueError: it is no JSON.
        RecursionError: it is nested deeper than can be read.
    """
    try:
        return orjson.loads(text)
    except orjson.JSONDecodeError:
        return json.loads(text, parse_constant=_refuse_constant)


def dumps(value: Any) -> bytes:
    """JSON of a dataclass, or of what JSON knows itself."""
    return orjson.dumps(value)


def _refuse_constant(name: str) -> NoReturn:
    raise ValueError(f"{name} is no JSON value")
