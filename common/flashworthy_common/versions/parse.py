"""A version text as it stands in the firmware -> an immutable value that knows its scheme.

- Total: any text gives a version; what no scheme fits keeps its text and has no order.
- The order is worked out here, once, as a string; comparing is comparing strings.
- Versions once read are remembered, because the same few thousand texts come again and again.
"""

import re
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache, lru_cache

from flashworthy_common.makers import canonical_machine_maker
from flashworthy_common.values import Unknown
from flashworthy_common.versions.schemes import SCHEMES, Meaning, Scheme

LONGEST_TEXT = 64  # characters; the longest release text seen has 57
MOST_TEXTS, MOST_MAKERS = 65_536, 4_096  # remembered before starting anew

_AROUND = " \t'\""  # blanks and quotation marks that some makers put around the version
_BRANCH_WIDTH = 4  # characters of a branch number in a key, zeros in front

_MAKERS_WITH_OWN_SCHEMES = frozenset().union(*(s.makers | s.except_makers for s in SCHEMES))
_NO_SCHEME = Scheme("unknown", "", (), "", meaning=Meaning.UNKNOWN)


@dataclass(frozen=True, slots=True)
class FirmwareVersion:
    """One version text, read.

    Attributes:
        text: as it came.
        scheme: the row of the table that fits; its name is ``unknown`` where none does.
        key: ``scheme|line|branch|rank``; within the first three, byte order is the version order.
            Empty where nothing is known of the order.
    """

    text: str
    scheme: Scheme
    key: str = ""

    @property
    def line(self) -> str:
        """What identifies line and board; empty where the scheme has no such part."""
        return " ".join(self._of_key(1).split())

    @property
    def branch(self) -> str:
        """Number of the parallel branch, in a form that sorts; empty where there is none."""
        return self._of_key(2)

    @property
    def rank(self) -> str:
        """Order within scheme, line and branch, in a form that sorts."""
        return self._of_key(3)

    @property
    def parts(self) -> dict[str, str]:
        """The parts that are there, by the names of their groups."""
        return {name: value for name, value in self._named().items() if value}

    @property
    def canonical(self) -> str:
        """The canonical spelling; without a scheme the text, tidied."""
        spelt = self.scheme.spelling.format_map(self._named())
        return " ".join((spelt or self.text).split())

    @property
    def tail(self) -> str:
        """A builder's or customer's mark; versions that differ in it alone have no order."""
        return self._of_kind("tail")

    @property
    def built(self) -> str:
        """The build date or time within the text, as it stands there; no part of the order."""
        return self._of_kind("built")

    @property
    def is_trial(self) -> bool:
        """Whether a mark says that it came before the release of the same number."""
        return self.on_trial_line or any(name.startswith("pre_") for name in self.parts)

    @property
    def on_trial_line(self) -> bool:
        """Whether it belongs to a line of trials, which ran beside the releases."""
        return any(name.startswith("line_trial") for name in self.parts)

    def ranked(self) -> list[tuple[str, str, str]]:
        """The parts that order, by weight: name, text (empty if absent), form that sorts."""
        return [
            (name, value, _FORMS[kind](value))
            for name, value in self._named().items()
            if (kind := name.partition("_")[0]) in ("branch", *_RANKED)
        ]

    def _of_key(self, place: int) -> str:
        return self.key.split("|")[place] if self.key else ""

    def _of_kind(self, kind: str) -> str:
        return " ".join(text for name, text in self.parts.items() if name.startswith(kind))

    def _named(self) -> dict[str, str]:
        match = _compiled(self.scheme).fullmatch(self.text.strip(_AROUND))
        return match.groupdict(default="") if match else {}


def parse_version(text: str, *, maker: str) -> FirmwareVersion:
    """Read ``text`` by the schemes that ``maker``, the machine's maker, may use."""
    return _GRAMMARS[maker][text]


def forget_versions() -> None:
    """Forget every version read so far, but not how to read them; for measuring."""
    for grammar in _GRAMMARS.values():
        grammar.clear()
    _number.cache_clear()


# ---- the order of one part, as a string ---------------------------------------------------------


@lru_cache(maxsize=16_384)
def _number(digits: str | None) -> str:
    """Digits led by a letter for their count: byte order is numeric order."""
    bare = (digits or "").lstrip("0")
    return "abcdefghijklmnop"[len(bare)] + bare


def _dotted(numbers: str | None) -> str:
    """Numbers with dots between; zeros at the end are left out, the end sorts before a number."""
    return "".join(map(_number, (numbers or "").split("."))).rstrip("a") + "!"


def _base36(text: str | None) -> str:
    """Digits before letters, as in ASCII; a scheme gives its revisions one width."""
    return text or ""


def _before(mark: str | None) -> str:
    """``~``, which sorts after every mark, where the mark is absent."""
    return _mark(mark) if mark else "~"


def _after(mark: str | None) -> str:
    """``!``, which sorts before every mark, where the mark is absent."""
    return _mark(mark) if mark else "!"


def _mark(mark: str) -> str:
    return _number(mark) if mark.isdigit() else mark.lower()


def _line(text: str | None) -> str:
    return (text or "").upper()


def _branch(number: str | None) -> str:
    return (number or "").zfill(_BRANCH_WIDTH)


_FORMS: dict[str, Callable[[str | None], str]] = {
    "line": _line,
    "branch": _branch,
    "num": _number,
    "dots": _dotted,
    "b36": _base36,
    "pre": _before,
    "post": _after,
}
_RANKED = ("num", "dots", "b36", "pre", "post")


# ---- from the table to one pattern per maker ----------------------------------------------------


@cache
def _compiled(scheme: Scheme) -> re.Pattern[str]:
    return re.compile(scheme.pattern, re.VERBOSE | re.ASCII)


class _Reading:
    """How the match of one scheme becomes a version."""

    def __init__(self, scheme: Scheme, mark: int) -> None:
        """``mark`` is the number of the empty group that follows those of the scheme."""
        self._scheme = scheme
        first = mark - len(scheme.part_names)
        kinds = [(n, name.partition("_")[0]) for n, name in enumerate(scheme.part_names, first)]

        def groups_of(*wanted: str) -> list[tuple[int, Callable[[str | None], str]]]:
            return [(number, _FORMS[kind]) for number, kind in kinds if kind in wanted]

        line, branch, rank = groups_of("line"), groups_of("branch"), groups_of(*_RANKED)
        self._groups = [number for number, _ in line + branch + rank] + [mark]
        self._forms = [form for _, form in line + branch + rank]
        slots = (" ".join(["%s"] * len(line)), "%s" * len(branch), "%s" * len(rank))
        self._key = "|".join((scheme.name, *slots))

    def version(self, text: str, match: re.Match[str]) -> FirmwareVersion:
        """The version that ``match`` found in ``text``."""
        if self._scheme.meaning is not Meaning.RELEASE:
            return FirmwareVersion(text, self._scheme)
        values = match.group(*self._groups)  # the mark is one of them, so it is always a tuple
        forms = tuple([form(value) for form, value in zip(self._forms, values, strict=False)])
        return FirmwareVersion(text, self._scheme, self._key % forms)


class _Grammar(dict[str, FirmwareVersion]):
    """The schemes of one maker as one pattern, and the versions read with it so far."""

    def __init__(self, maker: str) -> None:
        schemes = {f"s{n}": s for n, s in enumerate(SCHEMES) if s.is_used_by(maker)}
        pattern = re.compile("|".join(map(_marked, schemes, schemes.values())), re.X | re.A)
        self._match = pattern.fullmatch
        self._readings: dict[str | None, _Reading] = {
            mark: _Reading(scheme, pattern.groupindex[mark]) for mark, scheme in schemes.items()
        }

    def __missing__(self, text: str) -> FirmwareVersion:
        if len(text) > LONGEST_TEXT:
            return FirmwareVersion(text, _NO_SCHEME)
        if len(self) >= MOST_TEXTS:
            self.clear()
        match = self._match(text.strip(_AROUND))
        self[text] = version = (
            self._readings[match.lastgroup].version(text, match)
            if match
            else FirmwareVersion(text, _NO_SCHEME)
        )
        return version


def _marked(mark: str, scheme: Scheme) -> str:
    """The scheme's pattern, its groups renamed so that many fit in one; ``mark`` closes last."""
    pattern = scheme.pattern.replace("(?P<", f"(?P<{mark}_")
    return f"(?:{pattern}\n)(?P<{mark}>)"


class _Grammars(dict[str, _Grammar]):
    """The grammar for every spelling of a maker that came so far."""

    def __missing__(self, maker: str) -> _Grammar:
        if len(self) >= MOST_MAKERS:
            self.clear()
        canonical = canonical_machine_maker(maker)
        name = "" if isinstance(canonical, Unknown) else canonical.casefold()
        self[maker] = grammar = _grammar(name if name in _MAKERS_WITH_OWN_SCHEMES else "")
        return grammar


@cache
def _grammar(maker: str) -> _Grammar:
    return _Grammar(maker)


_GRAMMARS = _Grammars()
