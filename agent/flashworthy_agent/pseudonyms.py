"""Serials, user names and ids in a capture -> others of the same form.

- The same value gets the same replacement wherever it stands in one capture, and another one in
  another: the key is made anew each time and kept nowhere.
- Digits stay digits, letters letters of their case, hexadecimal stays hexadecimal, and no text gets
  longer or shorter: every structure around it, such as a raw SMBIOS table, stays valid.
- A value is found as UTF-8, as UTF-16, as the bytes of a UUID, and with the bytes of each pair
  swapped, as drives tell their serials. A name of ordinary letters is replaced only where it
  stands by itself, and only in answers; what nobody could take for a word is replaced everywhere.
- What fills a field without naming anything, and accounts that every system has, stay.
"""

import hashlib
import re
import uuid
from collections.abc import Iterable, Iterator
from dataclasses import replace

from flashworthy_agent.capture import Capture, each_text
from flashworthy_agent.probes.inputs import Answer, Question
from flashworthy_common.placeholders import is_placeholder

# Names that say nothing of a person or a machine; *from memory*.
_EVERYBODYS = frozenset({"root", "system", "administrator", "localhost", "localdomain", "admin"})
_SHORTEST, _SHORTEST_UNMISTAKABLE = 2, 8  # characters
_BY_FORM = (
    rb"(?:[0-9A-Fa-f]{2}[:-]){5}[0-9A-Fa-f]{2}(?![:0-9A-Fa-f-])"  # an address of IEEE 802
    rb"|(?<=[ew][nlw]x)[0-9a-f]{12}\b"  # the same in the name of a network interface
    rb"|\bS-1-5-21(?:-[0-9]+){3,4}"  # a Windows account
)
_UUID = re.compile(r"[0-9A-Fa-f]{8}(?:-[0-9A-Fa-f]{4}){3}-[0-9A-Fa-f]{12}")


class Pseudonyms:
    """What replaces `values`, under `key`."""

    def __init__(self, values: Iterable[str], key: bytes) -> None:
        self._key = key
        told = {part.strip(" {}") for value in values for part in value.split("\ufffd")}
        telling = sorted(filter(_tells_something, told))
        certain = [value for value in telling if _is_unmistakable(value)]
        names = [value for value in telling if not _is_unmistakable(value)]
        self._everywhere = _any_of(map(_pattern, certain), _BY_FORM)
        self._by_themselves = _any_of(map(_by_itself, names))
        self._wide = _any_of(map(_wide, telling))
        self._exactly = dict(pair for value in certain for pair in self._other_forms(value))

    def of(self, value: str) -> str:
        """The replacement of one value."""
        letters = "".join(filter(str.isalnum, value)).casefold()
        drawn = _numbers(letters, self._key)
        return "".join(_like(each, next(drawn)) if each.isalnum() else each for each in value)

    def in_capture(self, capture: Capture) -> Capture:
        """The capture with all the values, and all that is an id by its form, replaced."""
        answers = {
            self.in_question(question): self.in_answer(answer)
            for question, answer in capture.answers.items()
        }
        return Capture(replace(capture.head, ids_replaced=True), answers)

    def in_answer(self, answer: Answer) -> Answer:
        return each_text(answer, self._replace)

    def in_question(self, question: Question) -> Question:
        kind, *about = question
        return (kind, *(each_text(one, self._replace_everywhere) for one in about))

    def _replace(self, octets: bytes) -> bytes:
        octets = self._replace_everywhere(octets)
        octets = self._by_themselves.sub(lambda found: self._replaced(found[0], "utf-8"), octets)
        octets = self._wide.sub(lambda found: self._replaced(found[0], "utf-16-le"), octets)
        for before, after in self._exactly.items():
            octets = octets.replace(before, after)
        return octets

    def _other_forms(self, value: str) -> Iterator[tuple[bytes, bytes]]:
        """Bytes that stand for the value, and those that stand for its replacement."""
        other = self.of(value)
        if _UUID.fullmatch(value):
            before, after = uuid.UUID(value), uuid.UUID(other)
            yield before.bytes, after.bytes
            yield before.bytes_le, after.bytes_le
        elif value.isascii():
            yield _swapped(value), _swapped(other)

    def _replace_everywhere(self, octets: bytes) -> bytes:
        return self._everywhere.sub(lambda found: self._replaced(found[0], "utf-8"), octets)

    def _replaced(self, octets: bytes, encoding: str) -> bytes:
        return self.of(octets.decode(encoding)).encode(encoding)


def uuids_in(text: str) -> list[str]:
    return [found[0] for found in _UUID.finditer(text)]


def _tells_something(value: str) -> bool:
    is_common = value.casefold() in _EVERYBODYS or is_placeholder(value)
    return len(value) >= _SHORTEST and not is_common


def _is_unmistakable(value: str) -> bool:
    """Long enough, and with a digit: it stands for nothing else wherever it stands."""
    return len(value) >= _SHORTEST_UNMISTAKABLE and any(map(str.isdigit, value))


def _numbers(letters: str, key: bytes) -> Iterator[int]:
    """A number for each letter, and for each place: the same for the same letters."""
    block = 0
    while True:
        yield from hashlib.blake2b(f"{block} {letters}".encode(), key=key).digest()
        block += 1


def _like(letter: str, number: int) -> str:
    """Another letter of the same kind, as long in UTF-8 and in UTF-16."""
    if letter.isascii():
        first, count = {True: ("0", 10), False: ("a", 6)}[letter.isdigit()]
        if letter.casefold() > "f":
            first, count = "g", 20
        drawn = chr(ord(first) + number % count)
        return drawn.upper() if letter.isupper() else drawn
    size = len(letter.encode("utf-8", "surrogatepass"))
    return chr({2: 0xC0, 3: 0x4E00, 4: 0x20000}[size] + number % 23)


def _any_of(patterns: Iterable[bytes], *more: bytes) -> "re.Pattern[bytes]":
    """Longer ones first; what matches nothing where there are none."""
    ordered = sorted(patterns, key=len, reverse=True)
    return re.compile(b"|".join((*ordered, *more)) or rb"(?!)", re.IGNORECASE)


def _pattern(value: str) -> bytes:
    """A UUID is the same with its dashes and without."""
    escaped = re.escape(value.encode())
    return escaped.replace(rb"\-", b"-?") if _UUID.fullmatch(value) else escaped


def _by_itself(value: str) -> bytes:
    return rb"(?<![0-9A-Za-z])" + re.escape(value.encode()) + rb"(?![0-9A-Za-z])"


def _wide(value: str) -> bytes:
    return rb"(?<![0-9A-Za-z]\x00)" + re.escape(value.encode("utf-16-le")) + rb"(?![0-9A-Za-z]\x00)"


def _swapped(value: str) -> bytes:
    """As IDENTIFY DEVICE holds a text: of each two characters the second one first."""
    octets = bytearray(value.encode("ascii").ljust(len(value) + len(value) % 2))
    octets[::2], octets[1::2] = octets[1::2], octets[::2]
    return bytes(octets)
