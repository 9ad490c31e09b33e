"""The answers of macOS' programs and property lists as plain values, or why there are none.

Structured output is read as such: JSON of the system profiler, XML property lists of the others
("plist(5)"). What is of another shape than expected is a reason, never an error.
"""

import json
import plistlib
from datetime import UTC, datetime
from functools import lru_cache
from typing import Any

from flashworthy_agent.probes.access import Access
from flashworthy_agent.probes.programs import Outcome
from flashworthy_common.values import Maybe, Unknown

PROFILER_SECONDS = 30.0  # it takes longer than all others
PROGRAM_SECONDS = 8.0  # for each of these
_MAX_CHARACTERS = 200  # of one text

# One call for all that is asked of it; its data types as `system_profiler -listDataTypes` has them.
PROFILER = (
    "system_profiler",
    "-json",
    "SPHardwareDataType",
    "SPiBridgeDataType",
    "SPNVMeDataType",
    "SPSerialATADataType",
)
PLATFORM = ("ioreg", "-a", "-r", "-d", "1", "-c", "IOPlatformExpertDevice")  # ioreg(8)
KERNEL = ("sysctl", "kern.osrelease", "kern.boottime", "kern.hv_vmm_present")  # sysctl(8)
SYSTEM_VERSION = "/System/Library/CoreServices/SystemVersion.plist"  # what sw_vers(1) reads

Item = dict[str, Any]


def profiled(access: Access, data_type: str) -> Maybe[list[Item]]:
    """The items that the system profiler lists under one of its data types."""
    told = _profile(access)
    if isinstance(told, Unknown):
        return told
    items = told.get(data_type)
    if not isinstance(items, list):
        return Unknown(f"the system profiler tells no {data_type}")
    return [item for item in items if isinstance(item, dict)]


def hardware(access: Access) -> Maybe[Item]:
    """The overview of this machine."""
    return _first(profiled(access, "SPHardwareDataType"), "the system profiler tells no machine")


def platform(access: Access) -> Maybe[Item]:
    """What the I/O Registry holds of the machine itself."""
    return first_of_plist(access, PLATFORM, "the I/O Registry tells no machine")


def first_of_plist(access: Access, program: tuple[str, ...], none: str) -> Maybe[Item]:
    """The first entry that a program such as ioreg lists."""
    told = plist_of(access, program)
    if isinstance(told, Unknown):
        return Unknown(none) if told.because == _NOTHING.because else told
    found = [item for item in told if isinstance(item, dict)] if isinstance(told, list) else []
    return _first(found, none)


def plist_of(access: Access, program: tuple[str, ...]) -> Any:
    """The property list that a program prints, or an `Unknown`."""
    said = access.programs.said(list(program), PROGRAM_SECONDS)
    return said if isinstance(said, Unknown) else read_plist(said.encode(), program[0])


def plist_in(access: Access, path: str) -> Maybe[Item]:
    """The dictionary in a file that is a property list, in XML or binary."""
    content = access.files.content(path)
    if isinstance(content, Unknown):
        return content
    found = read_plist(content, path)
    if isinstance(found, Unknown | dict):
        return found
    return Unknown(f"expected a dictionary in {path}, got {found!r:.60}")


_NOTHING = Unknown("nothing is listed")


def read_plist(content: bytes, whose: str) -> Any:
    """The value that a property list holds, or an `Unknown`."""
    if not content.strip():
        return _NOTHING  # ioreg prints nothing where nothing matches
    try:
        return plistlib.loads(content)
    except Exception as error:  # noqa: BLE001  (of its parsers: six kinds, not all documented)
        why = f"{type(error).__name__}: {error}"
        return Unknown(f"expected a property list of {whose}: {why[:120]}")


def kernel(access: Access) -> Maybe[dict[str, str]]:
    """Values of the kernel by name; those that it does not have are missing."""
    ended = access.programs.run(list(KERNEL), PROGRAM_SECONDS)
    if isinstance(ended, Unknown):
        return ended
    return parse_sysctl(ended.output) or ended.failure("sysctl")


def parse_sysctl(text: str) -> dict[str, str]:
    """Lines such as ``kern.osrelease: 24.1.0``."""
    pairs = (line.partition(": ") for line in text.splitlines())
    return {name.strip(): value.strip() for name, colon, value in pairs if colon}


def text_in(item: Maybe[Item], name: str, whose: str = "macOS") -> Maybe[str]:
    """A text that is not blank; bytes are text up to their zero."""
    if isinstance(item, Unknown):
        return item
    value = item.get(name)
    if isinstance(value, bytes):
        value = value.decode("utf-8", "replace")
    if isinstance(value, str) and (text := value.partition("\0")[0].strip()):
        return text[:_MAX_CHARACTERS]
    return Unknown(f"{whose} tells no {name}")


def number_in(item: Maybe[Item], name: str, whose: str = "macOS") -> Maybe[int]:
    if isinstance(item, Unknown):
        return item
    value = item.get(name)
    if isinstance(value, int) and not isinstance(value, bool):
        return value
    return Unknown(f"{whose} tells no {name}")


def flag_in(item: Item, name: str, whose: str = "macOS") -> Maybe[bool]:
    value = item.get(name)
    return value if isinstance(value, bool) else Unknown(f"{whose} tells no {name}")


def time_in(item: Item, name: str) -> datetime | None:
    """Property lists hold their times in UTC, without saying so."""
    value = item.get(name)
    if not isinstance(value, datetime):
        return None
    return value.replace(tzinfo=UTC) if value.tzinfo is None else value.astimezone(UTC)


def items_in(item: Item, name: str) -> list[Item]:
    values = item.get(name)
    return [one for one in values if isinstance(one, dict)] if isinstance(values, list) else []


def _first(items: Maybe[list[Item]], none: str) -> Maybe[Item]:
    if isinstance(items, Unknown):
        return items
    return items[0] if items else Unknown(none)


@lru_cache(maxsize=1)
def _profile(access: Access) -> Maybe[Item]:
    """Asked once for all probes of one look: it takes longer than all else."""
    ended = access.programs.run(list(PROFILER), PROFILER_SECONDS)
    return ended if isinstance(ended, Unknown) else parse_profile(ended)


def parse_profile(ended: Outcome) -> Maybe[Item]:
    """What it printed counts, whatever status it ended with."""
    try:
        told = json.loads(ended.output)
    except (ValueError, RecursionError):
        return ended.failure("system_profiler")
    return told if isinstance(told, dict) else ended.failure("system_profiler")
