"""Every numbering scheme that is understood, as one table read top to bottom.

A scheme is a name, a verbose pattern and examples. The names of the groups say what a part does:

- ``line_...``: identifies the line or board; versions of two lines are never compared
- ``num_...``: a decimal number
- ``b36_...``: digits and letters, a letter counts after every digit (base 36)
- ``pre_...``: present means *before* the same version without it
- ``post_...``: present means *after* the same version without it

Parts order from left to right.
"""

from __future__ import annotations

import re
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Scheme:
    """One named grammar; ``pattern`` is verbose and must match the whole text."""

    name: str
    pattern: str
    examples: tuple[str, ...]

    def compiled(self) -> re.Pattern[str]:
        """The pattern, ready to ``fullmatch``."""
        return re.compile(self.pattern, re.VERBOSE | re.ASCII)


SCHEMES: tuple[Scheme, ...] = (
    Scheme(
        "line with bracketed number",
        r"""
        (?P<line_code>[A-Z][A-Z0-9]{2,4})       # line
        (?P<b36_revision>[0-9A-Z]{2})           # revision, letters count as digits
        (?P<line_suffix>[A-Z]{1,3})             # what it is built for
        \s*\(\s?(?P<num_major>[0-9]{1,3})\.(?P<num_minor>[0-9]{1,3})\s?\)
        """,
        ("6DET71WW (3.21 )", "N1MET50W (1.35 )"),
    ),
    Scheme(
        "line and revision",
        r"""
        (?P<line_code>[A-Z][A-Z0-9]{2,4})
        (?P<b36_revision>[0-9A-Z]{2})
        (?P<line_suffix>WW|W|A|AUS)
        """,
        ("FBKT99AUS", "1QCN27WW"),
    ),
    Scheme(
        "dotted numbers",
        r"""
        (?P<line_prefix>[VP]?)
        (?P<dotted_numbers>[0-9]{1,9}(?:\.[0-9]{1,9}){1,4})
        (?P<post_letter>[A-Za-z]?)              # 2.0b is after 2.0
        """,
        ("1.10", "V1.12", "2.0b"),
    ),
    Scheme(
        "number with pre-release letter",
        r"""
        F(?P<num_release>[0-9]{1,3})
        (?P<pre_letter>[a-z]?)                  # F14e is before F14
        """,
        ("F14e", "F14"),
    ),
    Scheme(
        "letter and revision",
        r"""
        (?P<line_letter>[A-Z])\.?
        (?P<b36_revision>[0-9A-Z]{2})
        """,
        ("F.1B", "A14"),
    ),
    Scheme("four digits", r"(?P<num_release>[0-9]{3,4})", ("0801", "1203")),
)
