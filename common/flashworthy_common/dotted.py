"""Dotted version numbers of operating systems, drivers and packages.

Firmware versions are another matter and live in `flashworthy_common.versions`.
"""

import re
from functools import lru_cache

_DOTTED = re.compile(r"[0-9]{1,9}(?:\.[0-9]{1,9}){0,7}")


@lru_cache(maxsize=1024)  # machines of one site hold much the same against the same
def is_at_least(text: str, least: str) -> bool | None:
    """Whether `text` is `least` or newer; none where one of them is not digits and dots.

    Numbers count, not digits: 1.9 is before 1.10. What is not written counts as zero, as in
    PEP 440 and VERS `intdot`: 1.0 is at least 1.

    >>> is_at_least("10.0.19045", "10.0.9200")
    True
    """
    found, wanted = _parts(text), _parts(least)
    if found is None or wanted is None:
        return None
    length = max(len(found), len(wanted))
    return _padded(found, length) >= _padded(wanted, length)


def _parts(text: str) -> list[int] | None:
    if not _DOTTED.fullmatch(text.strip()):
        return None
    return [int(part) for part in text.strip().split(".")]


def _padded(parts: list[int], length: int) -> list[int]:
    return parts + [0] * (length - len(parts))
