"""Names of people and programs: how they are written, and which are the same."""

import unicodedata

from flashworthy_server.errors import InvalidInputError

LONGEST = 80  # characters


def checked_name(text: str) -> str:
    """A name as it is shown: one line, no spaces around or doubled.

    Raises:
        InvalidInputError: it is empty, too long, or has signs that cannot be seen.
    """
    name = " ".join(unicodedata.normalize("NFC", text).split())
    if not name or len(name) > LONGEST or not name.isprintable():
        raise InvalidInputError("name", f"expected a name of 1 to {LONGEST} visible characters")
    return name


def name_key(text: str) -> str:
    """What two names are compared by: case and width of letters do not count.

    >>> name_key("Ida  FENWICK") == name_key("ida fenwick")
    True
    """
    return " ".join(unicodedata.normalize("NFKC", text).casefold().split())[: 2 * LONGEST]
