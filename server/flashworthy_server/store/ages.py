"""Firmware by its age: full years since the date that it states."""

from datetime import date

OLDEST_YEARS = 10  # firmware of this age and above is counted together
IN_THE_FUTURE, OLDEST, NOT_KNOWN = "in the future", f"{OLDEST_YEARS} and more", "not known"
FIRMWARE_AGES = (IN_THE_FUTURE, *map(str, range(OLDEST_YEARS)), OLDEST, NOT_KNOWN)


def later_than(today: date) -> dict[str, str]:
    """By age, the newest first, what its dates are later than; texts, as ISO 8601 has them.

    A text may name a day that is none (29 February): it is only compared. The oldest are later
    than an empty text, which stands for no date.
    """
    days = [f"{today.year - years:04}-{today:%m-%d}" for years in range(OLDEST_YEARS + 1)]
    return dict(zip(FIRMWARE_AGES, [*days, ""], strict=False))
