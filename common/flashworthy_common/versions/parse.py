"""A version text as it stands in the firmware -> an immutable value that knows its scheme."""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import lru_cache

from flashworthy_common.versions.schemes import SCHEMES

UNKNOWN = "unknown"
LONGEST_TEXT = 64  # characters; longer texts are kept but not read
_COMPILED = tuple((scheme.name, scheme.compiled()) for scheme in SCHEMES)


@dataclass(frozen=True, slots=True)
class FirmwareVersion:
    """One version text, read.

    Attributes:
        text: as it came.
        scheme: name of the grammar that matched, or ``unknown``.
        line: what identifies the line or board; versions of two lines are not compared.
        parts: name and text of each part, in order of weight.
        key: the order within scheme and line, as a string; absent where nothing is known.
    """

    text: str
    scheme: str = UNKNOWN
    line: str = ""
    parts: tuple[tuple[str, str], ...] = ()
    key: str | None = None


def parse_version(text: str, *, maker: str) -> FirmwareVersion:
    """Read ``text`` by the schemes; what no scheme matches is kept as ``unknown``."""
    if len(text) > LONGEST_TEXT:
        return FirmwareVersion(text)
    return _parse(text, maker)


@lru_cache(maxsize=65536)
def _parse(text: str, maker: str) -> FirmwareVersion:
    for name, pattern in _COMPILED:
        match = pattern.fullmatch(text.strip())
        if match is not None:
            return _from_match(text, name, match)
    return FirmwareVersion(text)


def _from_match(text: str, scheme: str, match: re.Match[str]) -> FirmwareVersion:
    parts = tuple(match.groupdict(default="").items())
    line = " ".join(part for name, part in parts if name.startswith("line") and part)
    key = "".join(_encoded(name, part) for name, part in parts if not name.startswith("line"))
    return FirmwareVersion(text, scheme, line, parts, key)


def _encoded(name: str, part: str) -> str:
    kind = name.partition("_")[0]
    if kind == "num":
        return _number(part)
    if kind == "dotted":
        return "".join(_number(number) for number in part.split(".")).rstrip("a0") + "!"
    if kind == "pre":
        return part or "~"
    return part.upper() or "!"


def _number(digits: str) -> str:
    """Digits led by a letter for their count, so that byte order is numeric order."""
    bare = digits.lstrip("0") or "0"
    return chr(ord("a") + len(bare) - 1) + bare
