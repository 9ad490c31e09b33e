"""Names as people write them in a statement, exact or by a pattern, against a machine's own names.

- In a pattern ``*`` stands for any run of characters, also for none. Nothing else is special.
- Upper and lower case, and runs of white space, do not count.
- A pattern begins with three letters or digits at least, so that none matches every machine of its
  maker: ``Folio 14*`` is one, ``*``, ``F*`` and ``*14`` are refused.
- A placeholder (``Default string*``) names nothing and is refused too.
"""

from collections.abc import Iterator
from functools import lru_cache

from flashworthy_common.makers import canonical_model
from flashworthy_common.placeholders import is_placeholder
from flashworthy_common.values import Unknown

STAR = "*"
LEAST_BEFORE_STAR = 3  # letters or digits: two stand before too many names of one maker
MOST_REMEMBERED = 65_536  # names

_NOTHING = Unknown("a statement names one thing")


def is_pattern(stated: str) -> bool:
    return STAR in stated


@lru_cache(maxsize=MOST_REMEMBERED)
def problem_of_name(stated: str) -> str:
    """Why `stated` may not stand in a statement; empty where it may."""
    if not is_pattern(stated):
        return "" if folded_name(stated) else f"expected a name, got {stated!r}"
    before = stated.partition(STAR)[0]
    if sum(character.isalnum() for character in before) < LEAST_BEFORE_STAR:
        return (
            f"expected {LEAST_BEFORE_STAR} letters or digits before the first {STAR!r}, since it "
            f"would match too much otherwise, got {stated!r}"
        )
    return f"expected a name, got the placeholder {stated!r}" if is_placeholder(before) else ""


@lru_cache(maxsize=MOST_REMEMBERED)  # all versions of a model have the same names
def matches(stated: str, names: frozenset[str]) -> bool:
    """Whether a stated name or pattern means one of `names`, which are folded.

    A pattern that `problem_of_name` refuses matches nothing.

    >>> matches("Folio 14*", frozenset({"folio 14 g2"}))
    True
    """
    if not is_pattern(stated):
        return folded_name(stated) in names
    if problem_of_name(stated):
        return False
    pattern = fold(stated)
    return any(fits_pattern(pattern, name) for name in names)


def lookup_of(stated: str) -> tuple[str, str]:
    """How a stated name is found again: its start, and the name itself or a star for a pattern.

    What may mean a folded name has that name's `start_of`, and the name or a star beside it.

    >>> lookup_of("Folio 14"), lookup_of("Folio 14*")
    (('fol', 'folio 14'), ('fol', '*'))
    """
    if is_pattern(stated):
        return start_of(fold(stated)), STAR
    name = folded_name(stated)
    return start_of(name), name


def start_of(folded: str) -> str:
    """What every pattern that means this folded name begins with."""
    return folded[:LEAST_BEFORE_STAR]


class NameIndex:
    """Finds statements that may mean the same as others, by the names that they state.

    What is found is what `may_both_match` accepts, and little more.
    """

    def __init__(self) -> None:
        self._beginning: dict[str, list[int]] = {}  # names, by each of their beginnings
        self._patterns: dict[str, list[int]] = {}  # by the text before the first star

    def add(self, number: int, stated: tuple[str, ...]) -> None:
        for each in stated:
            before = _before_star(each)
            for beginning in (*_beginnings(before), before):
                self._beginning.setdefault(beginning, []).append(number)
            if is_pattern(each):
                self._patterns.setdefault(before, []).append(number)

    def candidates(self, stated: tuple[str, ...]) -> list[int]:
        """Numbers of the statements that may mean the same, rising."""
        found: set[int] = set()
        for each in stated:
            before = _before_star(each)
            found.update(self._beginning.get(before, ()))
            for beginning in _beginnings(before):
                found.update(self._patterns.get(beginning, ()))
        return sorted(found)


def _before_star(stated: str) -> str:
    return fold(stated).partition(STAR)[0] if is_pattern(stated) else folded_name(stated)


def _beginnings(folded: str) -> Iterator[str]:
    return (folded[:length] for length in range(LEAST_BEFORE_STAR, len(folded)))


def may_both_match(a: str, b: str) -> bool:
    """Whether some name could be meant by both; in doubt, yes.

    Of two patterns only the text before the first star is compared.
    """
    if is_pattern(a) and is_pattern(b):
        a_start, b_start = (fold(each).partition(STAR)[0] for each in (a, b))
        return a_start.startswith(b_start) or b_start.startswith(a_start)
    return matches(a, frozenset({folded_name(b)})) or matches(b, frozenset({folded_name(a)}))


@lru_cache(maxsize=MOST_REMEMBERED)
def fold(name: str) -> str:
    """`name` in one case, with single spaces."""
    return " ".join(name.casefold().split())


@lru_cache(maxsize=MOST_REMEMBERED)
def folded_name(stated: str) -> str:
    """An exact name as machines give it, folded; empty where it names nothing."""
    name = canonical_model(product=stated, product_version=_NOTHING, board=_NOTHING)
    return "" if isinstance(name, Unknown) else fold(name)


def fits_pattern(pattern: str, name: str) -> bool:
    """Whether a folded pattern means a folded name.

    Each part is sought once, from left to right: linear, whatever the pattern.
    """
    if not is_pattern(pattern):
        return pattern == name
    first, *middle, last = pattern.split(STAR)
    if not name.startswith(first) or len(name) < len(first) + len(last) or not name.endswith(last):
        return False
    place, end = len(first), len(name) - len(last)
    for part in middle:
        place = name.find(part, place, end)
        if place < 0:
            return False
        place += len(part)
    return True
