"""How one version stands to another.

- A different scheme or line: unknown, unless the one scheme is known to have followed the other
  (and neither version is of a line of trials).
- Parallel branches: later only where the branch and all that follows it are later or equal.
- The same order but another mark of a builder or customer: unknown.
- Dates are no part of it; `flashworthy_common.dates` reads them as evidence beside the order.

So *older* is transitive, and *older* one way round is *newer* the other way round.
"""

from enum import Enum, StrEnum, auto
from functools import lru_cache

from flashworthy_common.versions.parse import FirmwareVersion, parse_version
from flashworthy_common.versions.schemes import HAND_OVERS, Meaning

RULES_VERSION = 2  # counts up whenever an order or a key may come out differently

_FOLLOWED_BY = {(hand_over.before, hand_over.after) for hand_over in HAND_OVERS}


class Order(StrEnum):
    """How *a* stands to *b*."""

    OLDER = "older"
    NEWER = "newer"
    SAME = "same"
    UNKNOWN = "unknown"


class Ground(Enum):
    """What an order, or its absence, rests on."""

    SAME_TEXT = auto()
    NO_RELEASE = auto()
    OTHER_SCHEME = auto()
    HAND_OVER = auto()
    OTHER_LINE = auto()
    SAME_RANK = auto()
    OTHER_MARK = auto()
    RANK = auto()
    BRANCHES_DISAGREE = auto()


def sort_key(version: FirmwareVersion) -> str:
    """``scheme|line|branch|rank`` in ASCII; empty where the order is unknown.

    Where two keys agree up to the last ``|``, their byte order is the order of the versions.
    Store `RULES_VERSION` beside it.
    """
    return version.key


def compare(a_text: str, b_text: str, *, maker: str, model: str) -> Order:
    """How ``a_text`` stands to ``b_text`` on one ``model`` of one machine ``maker``.

    ``model`` is the product's name, or ``product / board``: a version that only repeats it is none.
    """
    a, b = parse_version(a_text, maker=maker), parse_version(b_text, maker=maker)
    return relation(a, b, model=model)[0]


def relation(a: FirmwareVersion, b: FirmwareVersion, *, model: str) -> tuple[Order, Ground]:
    """How ``a`` stands to ``b``, and what that rests on."""
    if not (is_release(a, model=model) and is_release(b, model=model)):
        if a.text == b.text and a.scheme.meaning is Meaning.UNKNOWN:
            return Order.SAME, Ground.SAME_TEXT
        return Order.UNKNOWN, Ground.NO_RELEASE
    if a.scheme is not b.scheme:
        return _relation_of_schemes(a, b)
    if a.line != b.line:
        return Order.UNKNOWN, Ground.OTHER_LINE
    if a.key == b.key:
        same = a.tail == b.tail
        return (Order.SAME, Ground.SAME_RANK) if same else (Order.UNKNOWN, Ground.OTHER_MARK)
    return _relation_of_ranks((a.branch, a.rank), (b.branch, b.rank))


def is_release(version: FirmwareVersion, *, model: str) -> bool:
    """Whether the text tells which release this is, as far as anybody knows."""
    return version.key != "" and version.text.strip().casefold() not in _names_in(model)


@lru_cache(maxsize=4096)
def _names_in(model: str) -> frozenset[str]:
    return frozenset(name.strip().casefold() for name in model.split(" / "))


def _relation_of_schemes(a: FirmwareVersion, b: FirmwareVersion) -> tuple[Order, Ground]:
    if not (a.on_trial_line or b.on_trial_line):
        if (a.scheme.name, b.scheme.name) in _FOLLOWED_BY:
            return Order.OLDER, Ground.HAND_OVER
        if (b.scheme.name, a.scheme.name) in _FOLLOWED_BY:
            return Order.NEWER, Ground.HAND_OVER
    return Order.UNKNOWN, Ground.OTHER_SCHEME


def _relation_of_ranks(a: tuple[str, str], b: tuple[str, str]) -> tuple[Order, Ground]:
    """Each is branch and rank; the order holds only where both agree."""
    if a[0] <= b[0] and a[1] <= b[1]:
        return Order.OLDER, Ground.RANK
    if a[0] >= b[0] and a[1] >= b[1]:
        return Order.NEWER, Ground.RANK
    return Order.UNKNOWN, Ground.BRANCHES_DISAGREE
