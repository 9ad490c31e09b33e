"""A firmware's release date as text -> a date, or the reason why it is none.

The date stands beside the version as evidence; it never orders versions. Rules:

- `mm/dd/yyyy` is the standard's spelling and its order is never doubted: 03/04/2021 is 4 March.
  [DSP0134 §7.1, 08h]
- Of two-digit years the standard says 19yy, the Linux kernel says 20yy up to 95
  (drivers/firmware/dmi_scan.c): where they differ the year is ambiguous.
- With dots or hyphens makers use both orders; the day decides where it is past 12, else the date
  is ambiguous.
- ISO 8601, eight digits and English month names are read; what follows a date (a time, a remark)
  is ignored.

The spellings were learned from the open collection of SMBIOS tables `linuxhw/DMI` (CC BY 4.0).
"""

import re
from datetime import date
from functools import lru_cache

from flashworthy_common.placeholders import is_placeholder
from flashworthy_common.values import Unknown

_MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
_EARLIEST_YEAR = 1995  # SMBIOS 1.0; from memory
_FIRST_19YY = 96  # the least two-digit year that the Linux kernel reads as 19yy
_LATEST_MONTH = 12
_LONGEST_SHOWN = 60  # characters of a text in a reason

_SPELLINGS = tuple(
    re.compile(pattern + r"(?:[\s.T-].*)?", re.VERBOSE | re.DOTALL | re.IGNORECASE)
    for pattern in (
        # 05/04/2023, 5/4/2023, 05/ 4/2023, 05/04/23, 05.04.2023, 05-04-2023
        r"""(?P<first>[0-9]{1,2}) (?P<separator>[/.-])
            \s* (?P<second>[0-9]{1,2}) (?P=separator) (?P<year>[0-9]{2,})""",
        # 2023-05-04, 2023/05/04, 2023.05.04
        r"""(?P<year>[0-9]{4}) (?P<separator>[/.-])
            (?P<month>[0-9]{1,2}) (?P=separator) (?P<day>[0-9]{1,2})""",
        # 20230504; no month is 20 and no year 504, so that the next cannot be meant
        r"(?P<year>(?:19|20)[0-9]{2}) (?P<month>[0-9]{2}) (?P<day>[0-9]{2})",
        # 05042023
        r"(?P<month>[0-9]{2}) (?P<day>[0-9]{2}) (?P<year>(?:19|20)[0-9]{2})",
        # May  4 2023, as compilers write it; May 4, 2023
        r"(?P<name>[a-z]{3,9}) \s+ (?P<day>[0-9]{1,2}),? \s+ (?P<year>[0-9]{4})",
        # 4 May 2023, 04-May-2023
        r"(?P<day>[0-9]{1,2}) [\s-] (?P<name>[a-z]{3,9}) [\s-] (?P<year>[0-9]{4})",
    )
)


@lru_cache(maxsize=4_096)  # machines of one model share theirs
def parse_release_date(text: str | Unknown) -> date | Unknown:
    """The day of a release.

    >>> parse_release_date("03/04/2021")
    datetime.date(2021, 3, 4)
    >>> parse_release_date("01/02/15").because
    "ambiguous: '01/02/15' is 1915 by the standard and 2015 by the Linux kernel"
    """
    if isinstance(text, Unknown):
        return text
    if not text.strip():
        return Unknown("no date is given")
    shown = repr(text[:_LONGEST_SHOWN])
    if is_placeholder(text):
        return Unknown(f"no date is given, only {shown}")
    for spelling in _SPELLINGS:
        match = spelling.fullmatch(text.strip())
        if match:
            return _day(shown, match.groupdict())
    return Unknown(f"{shown} is in no known spelling of a date")


def _day(shown: str, parts: dict[str, str]) -> date | Unknown:
    year = _year(shown, parts["year"])
    if isinstance(year, Unknown):
        return year
    if "first" in parts:
        month_and_day = _month_and_day(shown, parts)
        if isinstance(month_and_day, Unknown):
            return month_and_day
        return _calendar_day(shown, year, *month_and_day)
    month = _month_number(parts["name"]) if "name" in parts else int(parts["month"])
    return _calendar_day(shown, year, month, int(parts["day"]))


def _year(shown: str, digits: str) -> int | Unknown:
    if len(digits) not in (2, 4):
        return Unknown(f"{shown} has a year of {len(digits)} digits")
    if len(digits) == 2 and int(digits) < _FIRST_19YY:
        return Unknown(
            f"ambiguous: {shown} is 19{digits} by the standard and 20{digits} by the Linux kernel"
        )
    year = int(digits) if len(digits) == 4 else 1900 + int(digits)
    if year < _EARLIEST_YEAR:
        return Unknown(f"{shown} is before the first firmware with such a table")
    return year


def _month_and_day(shown: str, parts: dict[str, str]) -> tuple[int, int] | Unknown:
    first, second = int(parts["first"]), int(parts["second"])
    if parts["separator"] == "/":
        return first, second
    if first > _LATEST_MONTH:
        return second, first
    if second > _LATEST_MONTH or first == second:
        return first, second
    return Unknown(f"ambiguous: {shown} may be month and day or day and month")


def _month_number(name: str) -> int:
    """1 to 12, or 0 where the name is none of a month."""
    short = name[:3].lower()
    return _MONTHS.index(short) + 1 if short in _MONTHS else 0


def _calendar_day(shown: str, year: int, month: int, day: int) -> date | Unknown:
    try:
        return date(year, month, day)
    except ValueError:
        return Unknown(f"{shown} is no day of the calendar: year {year}, month {month}, day {day}")
