"""Release dates. Spellings: open collection linuxhw/DMI, CC BY 4.0, unless marked."""

from collections import Counter
from datetime import date

import pytest

from flashworthy_common.dates import parse_release_date
from flashworthy_common.values import Unknown
from support.shared_data import shared_rows

DATES = {
    "03/04/2021": date(2021, 3, 4),  # DSP0134 §7.1, 08h: mm/dd/yyyy, never 3 April
    "07/01/99": date(1999, 7, 1),  # DSP0134 §7.1, 08h: two digits are 19yy
    "12/31/96": date(1996, 12, 31),
    "02/29/2008": date(2008, 2, 29),
    "4/10/2012": date(2012, 4, 10),
    "06/ 4/2019": date(2019, 6, 4),
    "07/08/2022 16:41:50": date(2022, 7, 8),
    "8/12/2019..........": date(2019, 8, 12),
    "08/09/2021 - KESTREL 1.2.0.3": date(2021, 8, 9),
    "04.20.2021": date(2021, 4, 20),
    "27.10.2020 00:32:11": date(2020, 10, 27),
    "05.05.2020": date(2020, 5, 5),
    "2023-05-22": date(2023, 5, 22),
    "2020/11/20": date(2020, 11, 20),
    "2023-05-04T00:00:00Z": date(2023, 5, 4),  # type 45; from memory
    "20210806": date(2021, 8, 6),
    "05272016": date(2016, 5, 27),
    "Sep 25 2022": date(2022, 9, 25),
    "May  5 2020 13:07:24": date(2020, 5, 5),
    "September 25, 2022": date(2022, 9, 25),  # common practice, no source
    "25-Sep-2022": date(2022, 9, 25),  # common practice, no source
}

REASONS = {
    "01/02/15": "ambiguous: '01/02/15' is 1915 by the standard and 2015 by the Linux kernel",
    "10/17/23 20:56:43": "ambiguous: '10/17/23 20:56:43' is 1923 by the standard and 2023 by the "
    "Linux kernel",
    "05.07.2014": "ambiguous: '05.07.2014' may be month and day or day and month",
    "11/12/20092": "'11/12/20092' has a year of 5 digits",
    "10/21/0892": "'10/21/0892' is before the first firmware with such a table",
    "01/01/1970": "'01/01/1970' is before the first firmware with such a table",
    "25/11/2020": "'25/11/2020' is no day of the calendar: year 2020, month 25, day 11",
    "02/30/2020": "'02/30/2020' is no day of the calendar: year 2020, month 2, day 30",
    "00/00/2000": "'00/00/2000' is no day of the calendar: year 2000, month 0, day 0",
    "Foo 25 2022": "'Foo 25 2022' is no day of the calendar: year 2022, month 0, day 25",
    "": "no date is given",
    "   ": "no date is given",
    "Unknown": "no date is given, only 'Unknown'",
    "<BAD INDEX>": "'<BAD INDEX>' is in no known spelling of a date",
    "011/21/2011": "'011/21/2011' is in no known spelling of a date",
    "٠٣/٠٤/٢٠٢١": "'٠٣/٠٤/٢٠٢١' is in no known spelling of a date",
}

HOSTILE = ("9" * 10_000, "1/" * 5_000, "\0", "\u202e03/04/2021", "1/1/" + "9" * 5_000, " " * 10_000)


@pytest.mark.parametrize(("text", "day"), DATES.items())
def test_a_date_is_read_in_every_spelling_found(text: str, day: date) -> None:
    assert parse_release_date(text) == day


@pytest.mark.parametrize(("text", "because"), REASONS.items())
def test_what_is_no_certain_date_says_why(text: str, because: str) -> None:
    assert parse_release_date(text) == Unknown(because)


@pytest.mark.parametrize("year", range(100))
def test_a_two_digit_year_is_read_only_where_standard_and_kernel_agree(year: int) -> None:
    # DSP0134 §7.1: 19yy; Linux drivers/firmware/dmi_scan.c, dmi_get_date(): 00 to 95 are 20yy
    found = parse_release_date(f"06/15/{year:02}")

    assert isinstance(found, date) == (year >= 96)


@pytest.mark.parametrize("text", HOSTILE, ids=range(len(HOSTILE)))
def test_hostile_text_is_no_date_and_raises_nothing(text: str) -> None:
    found = parse_release_date(text)

    assert isinstance(found, Unknown)
    assert len(found.because) < 500


def test_a_missing_text_keeps_its_own_reason() -> None:
    assert parse_release_date(Unknown("permission denied")) == Unknown("permission denied")


def test_of_real_dates_all_but_one_in_a_thousand_are_read_or_refused_by_name() -> None:
    machines: Counter[str] = Counter()
    for row in shared_rows("firmware_records.tsv.gz"):
        found = parse_release_date(row["bios_date"])
        machines[outcome(found)] += int(row["machines"])

    share = {name: count / machines.total() for name, count in machines.items()}
    assert share["date"] >= 0.98
    assert share.get("no known spelling", 0) <= 0.001


def outcome(found: date | Unknown) -> str:
    if isinstance(found, date):
        return "date"
    return "no known spelling" if "no known spelling" in found.because else "named reason"
