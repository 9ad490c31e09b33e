"""A version text as it stands in the firmware -> an immutable value that knows its scheme.

- Total: any text gives a version; what no scheme fits keeps its text and has no order.
- The order is worked out here, once, as a string; comparing is comparing strings.
- Read versions are remembered (the same few thousand texts come again and again).
"""

import re
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

from flashworthy_common.makers import canonical_machine_maker
from flashworthy_common.values import Unknown
from flashworthy_common.versions.schemes import SCHEMES, Meaning, Scheme

LONGEST_TEXT = 64  # characters; the longest release text seen has 57
_REMEMBERED = 65_536  # versions; some 40 MB when full

_BRANCH_WIDTH = 4  # characters of a branch number, zeros in front

_NO_SCHEME = Scheme("unknown", "", (), "", meaning=Meaning.UNKNOWN)


@dataclass(frozen=True, slots=True)
class FirmwareVersion:
    """One version text, read.

    Attributes:
        text: as it came.
        scheme: the row of the table that fits; its name is ``unknown`` where none does.
        values: what the groups of the pattern matched, in their order; absent ones are empty.
        line: what identifies line and board, in one spelling; empty where the scheme has none.
        branch: number of the parallel branch, as a string that sorts; empty where there is none.
        rank: order within scheme, line and branch, as a string; empty where nothing is known.
        key: scheme, line, branch and rank as one string; empty where nothing is known.
    """

    text: str
    scheme: Scheme
    values: tuple[str, ...] = ()
    line: str = ""
    branch: str = ""
    rank: str = ""
    key: str = ""

    @property
    def is_ordered(self) -> bool:
        """Whether it can be compared with others of its scheme and line."""
        return self.key != ""

    @property
    def parts(self) -> dict[str, str]:
        """The parts that are there, by the names of their groups."""
        named = zip(self.scheme.part_names, self.values, strict=False)
        return {name: value for name, value in named if value}

    @property
    def canonical(self) -> str:
        """The canonical spelling; without a scheme the text, tidied."""
        named = dict(zip(self.scheme.part_names, self.values, strict=False))
        return self.scheme.spelling.format_map(named).strip() or " ".join(self.text.split())

    @property
    def tail(self) -> str:
        """A builder's or customer's mark; versions that differ in it alone have no order."""
        return " ".join(value for name, value in self.parts.items() if name.startswith("tail_"))

    @property
    def is_trial(self) -> bool:
        """Whether it precedes the release of the same number."""
        return any(name.startswith(("pre_", "line_trial")) for name in self.parts)


def parse_version(text: str, *, maker: str) -> FirmwareVersion:
    """Read ``text`` by the schemes that ``maker``, the machine's maker, may use."""
    if len(text) > LONGEST_TEXT:
        return FirmwareVersion(text, _NO_SCHEME)
    return _remembered(text, maker)


@lru_cache(maxsize=_REMEMBERED)
def _remembered(text: str, maker: str) -> FirmwareVersion:
    grammar = _grammar_for(maker)
    match = grammar.pattern.fullmatch(text.strip(" '\t"))
    if match is None:
        return FirmwareVersion(text, _NO_SCHEME)
    return grammar.readings[match.lastgroup].version(text, match)


def _number(digits: str) -> str:
    """Digits led by a letter for their count: byte order is numeric order."""
    bare = digits.lstrip("0")
    return "abcdefghijklmnop"[len(bare)] + bare


def _dotted(numbers: str) -> str:
    """Numbers of a dotted text; the end mark sorts before every further number."""
    return "".join(map(_number, numbers.split("."))).rstrip("a") + "!"


def _base36(text: str) -> str:
    """Digits before letters, as in ASCII; a scheme gives its revisions one width."""
    return text.upper()


def _before(text: str) -> str:
    """A mark, or ``~`` where it is absent: every mark sorts before none."""
    return (_number(text) if text.isdigit() else text.lower()) or "~"


def _after(text: str) -> str:
    """A mark, or ``!`` where it is absent: every mark sorts after none."""
    return (_number(text) if text.isdigit() else text.lower()) or "!"


_ENCODERS: dict[str, Callable[[str], str]] = {
    "num": _number,
    "dots": _dotted,
    "b36": _base36,
    "pre": _before,
    "post": _after,
}


class _Reading:
    """How the match of one scheme becomes a version."""

    def __init__(self, scheme: Scheme, names: tuple[str, ...], first_group: int) -> None:
        """``first_group`` is the number of the group around the whole scheme; its own follow."""
        self._scheme = scheme
        self._groups = range(first_group, first_group + len(names) + 1)
        kinds = [name.partition("_")[0] for name in names]
        self._line = [place for place, kind in enumerate(kinds, 1) if kind == "line"]
        self._branch = [place for place, kind in enumerate(kinds, 1) if kind == "branch"]
        self._rank = [
            (place, _ENCODERS[kind]) for place, kind in enumerate(kinds, 1) if kind in _ENCODERS
        ]

    def version(self, text: str, match: re.Match[str]) -> FirmwareVersion:
        """The version that ``match`` found in ``text``."""
        if self._scheme.meaning is not Meaning.RELEASE:
            return FirmwareVersion(text, self._scheme)
        values = [value or "" for value in match.group(*self._groups)]
        line = " ".join([values[place] for place in self._line if values[place]]).upper()
        branch = "".join([values[place].zfill(_BRANCH_WIDTH) for place in self._branch])
        rank = "".join([encoded(values[place]) for place, encoded in self._rank])
        key = f"{self._scheme.name}|{line}|{branch}|{rank}"
        return FirmwareVersion(text, self._scheme, tuple(values[1:]), line, branch, rank, key)


class _Grammar:
    """All schemes that one maker may use, as one pattern: the first alternative that fits wins."""

    def __init__(self, maker: str) -> None:
        schemes = [scheme for scheme in SCHEMES if scheme.is_used_by(maker)]
        self.pattern = re.compile(
            "|".join(f"(?P<s{n}>{_prefixed(f's{n}', s.pattern)}\n)" for n, s in enumerate(schemes)),
            re.VERBOSE | re.ASCII,
        )
        self.readings: dict[str | None, _Reading] = {
            f"s{n}": _Reading(scheme, scheme.part_names, self.pattern.groupindex[f"s{n}"])
            for n, scheme in enumerate(schemes)
        }


def _prefixed(prefix: str, pattern: str) -> str:
    """``pattern`` with ``prefix`` before the names of its groups, so that many fit in one."""
    return re.sub(r"\(\?P<", f"(?P<{prefix}_", pattern)


@lru_cache(maxsize=1024)
def _grammar_for(maker: str) -> _Grammar:
    name = canonical_machine_maker(maker)
    return _grammar("" if isinstance(name, Unknown) else name.casefold())


@lru_cache(maxsize=1024)
def _grammar(maker: str) -> _Grammar:
    return _Grammar(maker)
