"""A report in plain words, a line for each value or for the reason why it is missing.

The words are the report's own names of fields; their unit, which stands at the end of a name, is
written behind the value instead. What nobody looked for is left out.
"""

from collections.abc import Iterator
from dataclasses import fields, is_dataclass
from datetime import datetime
from enum import Enum
from typing import Any

from flashworthy_common.report import SECTIONS, Report, Section
from flashworthy_common.values import NOT_REPORTED, Unknown, write_time

_LABEL_WIDTH = 26
_TITLES = ("kind", "name", "user", "firmware_class")  # what an item of a list is known by
_OF_EVERY_SECTION = {field.name for field in fields(Section)}


def report_lines(report: Report) -> list[str]:
    """Every section under its name, each with when it was seen and where."""
    return [line for name in SECTIONS for line in section_lines(name, getattr(report, name))]


def section_lines(name: str, section: Section) -> Iterator[str]:
    """One section, and an empty line."""
    seen = section.seen_at
    when = "" if isinstance(seen, Unknown) else f", seen {write_time(seen)}"
    yield f"{name}: {section.source}{when}"
    for field in fields(section):
        if field.name not in _OF_EVERY_SECTION:
            yield from _value_lines(field.name, getattr(section, field.name), depth=1)
    yield ""


def _value_lines(name: str, value: Any, depth: int) -> Iterator[str]:
    if value is None or value == NOT_REPORTED:
        return
    label, unit = _label_and_unit(name)
    start = f"{'  ' * depth}{label:<{_LABEL_WIDTH - 2 * depth}}"
    if isinstance(value, tuple) and value and is_dataclass(value[0]):
        for item in value:
            yield from _item_lines(start, item, depth + 1)
    elif is_dataclass(value) and not isinstance(value, Unknown):
        yield from _item_lines(start, value, depth + 1)
    else:
        yield f"{start}{in_words(value, unit)}"


def _item_lines(start: str, item: Any, depth: int) -> Iterator[str]:
    """What the item is known by, and below it, or beside it if it is one line, all else."""
    known_by = [getattr(item, name) for name in _TITLES if getattr(item, name, None)]
    inner = [
        line
        for field in fields(item)
        if field.name not in _TITLES
        for line in _value_lines(field.name, getattr(item, field.name), depth)
    ]
    title = f"{start}{' '.join(known_by)}".rstrip()
    if known_by and len(inner) == 1:
        yield f"{title}: {inner[0][_LABEL_WIDTH:]}"
    else:
        yield title
        yield from inner


# ---- values -----------------------------------------------------------------------------------

_SCALED = {"mwh": "Wh", "mah": "Ah", "mw": "W", "ma": "A"}  # thousandths of what people say
_UNITS = {"percent", "seconds", "bytes", "ms", *_SCALED}


def _label_and_unit(name: str) -> tuple[str, str]:
    """``design_mwh`` is *design*, in mWh; a text that was taken over as it stood loses `_text`."""
    words = name.split("_")
    unit = words.pop() if words[-1] in _UNITS and len(words) > 1 else words[-1]
    if words[-1] == "text":
        words.pop()
    return " ".join(words), unit


def in_words(value: Any, unit: str = "") -> str:
    """One value, or why it is missing."""
    if isinstance(value, Unknown):
        return f"not known: {value.because}"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, Enum):
        return str(value.value)
    if isinstance(value, datetime):
        return write_time(value)
    if isinstance(value, tuple):
        return ", ".join(map(str, value)) or "none"
    if isinstance(value, int | float):
        return _number_in_words(value, unit)
    return str(value)


def _number_in_words(number: float, unit: str) -> str:
    if unit == "bytes":
        return _size_in_words(number)
    if unit == "seconds":
        return _span_in_words(int(number))
    if unit == "percent":
        return f"{number:g} %"
    if unit in _SCALED:
        return f"{number / 1000:g} {_SCALED[unit]}"
    return f"{number:g} {unit}" if unit in _UNITS else str(number)


def _size_in_words(count: float) -> str:
    for size, unit in ((1e9, "GB"), (1e6, "MB"), (1e3, "kB")):
        if count >= size:
            return f"{count / size:.1f} {unit}"
    return f"{count:.0f} bytes"


def _span_in_words(seconds: int) -> str:
    minutes, hours, days = seconds // 60, seconds // 3600, seconds // 86400
    if days:
        return f"{days} d {hours % 24} h"
    if hours:
        return f"{hours} h {minutes % 60} min"
    return f"{minutes} min" if minutes else f"{seconds} s"
