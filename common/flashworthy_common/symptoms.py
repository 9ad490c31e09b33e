"""A fault that a person saw on a machine, against what a release says it mends.

Matching is cautious, since a wrong match makes a reason out of nothing; whoever records a symptom
is better off with the release's own phrase, which always matches.

- Every word of the phrase that carries meaning must stand in the symptom, in any order. Words are
  the same where one is the other with a usual English ending: *wakes* and *wake*.
- A phrase of fewer than two such words matches nothing: *fan* is in too many complaints.
- A denial on one side alone (*does not hum*) is no match.
"""

import re
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

LEAST_WORDS = 2  # that carry meaning, in a phrase

_WORD = re.compile(r"[^\W_]+")
_SMALL = frozenset({
    "a", "after", "again", "an", "and", "at", "be", "been", "by", "does", "for", "from", "has",
    "have", "in", "into", "is", "it", "its", "of", "on", "or", "some", "sometimes", "that", "the",
    "then", "this", "to", "was", "when", "while", "with",
})  # fmt: skip
_DENIALS = frozenset({"no", "not", "never", "without", "cannot"})
_NOT = re.compile(r"n['\u2019]t\b")  # "doesn't"
_ENDINGS = ("", "s", "es", "ed", "d", "ing")


@dataclass(frozen=True, slots=True, kw_only=True)
class Symptom:
    """What one machine shows, by a person's word."""

    says: str
    recorded_by: str
    recorded_at: datetime


def is_shown(phrase: str, symptom: str) -> bool:
    """Whether a machine with this symptom shows the fault that a release's phrase names.

    >>> is_shown("fan hums after sleep", "The fan hummed all night. It was in sleep")
    False
    >>> is_shown("screen stays dark after start-up", "the screen stayed dark on start-up today")
    True
    """
    wanted, found = _words(phrase), _words(symptom)
    if len(wanted - _DENIALS) < LEAST_WORDS or bool(wanted & _DENIALS) != bool(found & _DENIALS):
        return False
    return all(any(_same(word, other) for other in found) for word in wanted - _DENIALS)


def shown(phrases: Iterable[str], symptoms: Iterable[Symptom]) -> Symptom | None:
    """The first symptom, by time, that shows what one of the phrases names."""
    by_time = sorted(symptoms, key=lambda each: (each.recorded_at, each.says, each.recorded_by))
    phrases = tuple(phrases)
    return next(
        (each for each in by_time if any(is_shown(phrase, each.says) for phrase in phrases)), None
    )


def is_too_wide(phrase: str) -> bool:
    """Whether a phrase has too few words to match anything."""
    return len(_words(phrase) - _DENIALS) < LEAST_WORDS


def _words(text: str) -> set[str]:
    plain = _NOT.sub(" not", text.casefold())
    return set(_WORD.findall(plain)) - _SMALL


def _same(a: str, b: str) -> bool:
    """Whether two words are one, but for an ending and the `e` that it swallows."""
    return bool(_stems(a) & _stems(b))


def _stems(word: str) -> set[str]:
    cut = {word.removesuffix(ending) for ending in _ENDINGS}
    return {stem.removesuffix("e") for stem in cut if len(stem) >= 3} | {word}
