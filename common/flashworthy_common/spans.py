"""Spans of time as people write them: ``14 days``, ``90 minutes``, ``20`` (seconds)."""

import re

from flashworthy_common.errors import MalformedValueError

_UNITS = {"day": 86_400, "hour": 3_600, "minute": 60, "second": 1}  # seconds
_SPAN = re.compile(r"(?P<number>[0-9]{1,12})\s*(?P<unit>[a-z]*)", re.ASCII)


def span_in_words(seconds: int) -> str:
    """A span in the largest unit that says it exactly.

    >>> span_in_words(1_209_600), span_in_words(5_400), span_in_words(1)
    ('14 days', '90 minutes', '1 second')
    """
    unit, size = next(
        (unit, size) for unit, size in _UNITS.items() if seconds % size == 0 or size == 1
    )
    unit = unit if seconds else "second"
    number = seconds // size
    return f"{number} {unit}" if number == 1 else f"{number} {unit}s"


def parse_span(text: str, path: str) -> int:
    """A span in seconds.

    >>> parse_span("14 days", "age"), parse_span("1 hour", "age"), parse_span("20", "age")
    (1209600, 3600, 20)

    Raises:
        MalformedValueError: it is none; `path` names it.
    """
    match = _SPAN.fullmatch(text.strip().casefold())
    unit = match["unit"].removesuffix("s") if match else None
    size = _UNITS.get(unit or "second") if match else None
    if match is None or size is None:
        raise MalformedValueError(path, "a span such as 14 days, 4 hours or 90 minutes", text)
    return int(match["number"]) * size
