"""Where the rows of a JSON document stand in its file, for messages that people can follow."""

import json
import re
from collections.abc import Iterator

_SPACE = re.compile(r"[ \t\r\n,]*")  # also the commas between members: the text is valid JSON
_DECODER = json.JSONDecoder()


def lines_of_rows(text: str) -> dict[str, int]:
    """The line, counted from 1, of every item of every list in the outermost object.

    Args:
        text: valid JSON.

    >>> lines_of_rows('{"releases": [\\n1,\\n2]}')
    {'releases[0]': 2, 'releases[1]': 3}
    """
    return {
        f"{name}[{index}]": text.count("\n", 0, start) + 1
        for name, list_start in _members(text)
        if text[list_start] == "["
        for index, start in enumerate(_items(text, list_start))
    }


def _members(text: str) -> Iterator[tuple[str, int]]:
    """Name and start of the value of each member of the outermost object."""
    at = _skip(text, 0)
    if text[at] != "{":
        return
    at = _skip(text, at + 1)
    while text[at] != "}":
        name, at = _DECODER.raw_decode(text, at)
        at = _skip(text, text.index(":", at) + 1)
        yield name, at
        at = _skip(text, _DECODER.raw_decode(text, at)[1])


def _items(text: str, list_start: int) -> Iterator[int]:
    at = _skip(text, list_start + 1)
    while text[at] != "]":
        yield at
        at = _skip(text, _DECODER.raw_decode(text, at)[1])


def _skip(text: str, at: int) -> int:
    match = _SPACE.match(text, at)
    return match.end() if match else at
