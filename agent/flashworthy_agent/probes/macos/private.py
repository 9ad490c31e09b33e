"""What of macOS' raw answers names a machine or a person, beside what the report itself holds."""

import json
import plistlib
import re
from collections.abc import Iterator
from typing import Any

from flashworthy_agent.probes.inputs import Answer, Question

# Keys of structured answers whose values are one machine's or one person's; *from memory*.
_TELLING = re.compile(
    r"serial|uuid|udid|volumegroupid|mediauuid|computername|localhostname|battery.?id|user", re.I
)
_SESSION = re.compile(rb"(?m)^(\S+)\s+\S+\s+[A-Z][a-z]{2}\s.*?(?:\(([^)]*)\))?$")


def personal(question: Question, answer: Answer) -> Iterator[str]:
    kind, *about = question
    if kind != "program":
        return
    output = answer[1]
    if about[0] == "who":
        for found in _SESSION.findall(output):
            yield from (each.decode("utf-8", "replace") for each in found)
    elif about[0] == "scutil":
        yield output.decode("utf-8", "replace")
    else:
        yield from _telling(_structured(output), is_telling=False)


def _structured(output: bytes) -> Any:
    for read in (json.loads, plistlib.loads):
        try:
            return read(output)
        except Exception:  # noqa: BLE001, S112  (of parsers: whatever it is, it holds no such value)
            continue
    return None


def _telling(value: Any, *, is_telling: bool) -> Iterator[str]:
    """The texts, and bytes that are text, below a key that tells whose they are."""
    if isinstance(value, dict):
        for key, each in value.items():
            yield from _telling(each, is_telling=bool(_TELLING.search(str(key))))
    elif isinstance(value, list):
        for each in value:
            yield from _telling(each, is_telling=is_telling)
    elif is_telling and isinstance(value, str | bytes):
        yield value if isinstance(value, str) else value.decode("utf-8", "replace").strip("\0")
