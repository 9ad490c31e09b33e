"""The raw SMBIOS table out of what the program ``dmidecode --dump`` prints.

It is the last source: on a kernel that shows no table, the program looks for one in memory. Its
dump holds every byte, so that one parser reads all tables; its exit status means nothing.

    Handle 0x0001, DMI type 1, 27 bytes
            Header and Data:
                    01 1B 01 00 ...
            Strings:
                    4C 61 72 6B 00
                    Lark
"""

import re
from collections.abc import Iterator
from typing import TYPE_CHECKING

from flashworthy_agent.probes.programs import Programs
from flashworthy_common.values import Maybe, Unknown

if TYPE_CHECKING:
    from flashworthy_common.smbios import ReleaseNumber

_COMMAND = ["dmidecode", "--dump"]
_TIMEOUT_SECONDS = 5.0
_VERSION = re.compile(r"^SMBIOS ([0-9]{1,3})\.([0-9]{1,3})", re.MULTILINE)
_HEXADECIMAL = re.compile(r"[0-9A-F]{2}(?: [0-9A-F]{2})*")
_DATA, _STRINGS = "Header and Data:", "Strings:"


def dumped_table(programs: Programs) -> "Maybe[tuple[Maybe[ReleaseNumber], bytes]]":
    """The version of the standard and the table, or why the program shows none."""
    outcome = programs.run(_COMMAND, _TIMEOUT_SECONDS)
    if isinstance(outcome, Unknown):
        return outcome
    version, table = parse_dump(outcome.output)
    if not table:
        said = next(iter(outcome.complaint.strip().splitlines()), "nothing said")
        return Unknown(f"dmidecode finds none either: {said[:200]}")
    return version, table


def parse_dump(text: str) -> "tuple[Maybe[ReleaseNumber], bytes]":
    """The version, and as much of a table as the text holds; what is no dump is passed over."""
    match = _VERSION.search(text)
    structures = (_structure(block) for block in re.split(r"^Handle ", text, flags=re.MULTILINE))
    table = b"".join(structures)
    if match is None:
        return Unknown("dmidecode names no version"), table
    from flashworthy_common.smbios import ReleaseNumber  # late: many tables are not there

    return ReleaseNumber(int(match[1]), int(match[2])), table


def _structure(block: str) -> bytes:
    lines = iter(line.strip() for line in block.splitlines())
    for line in lines:
        if line == _DATA:
            formatted = b"".join(_bytes_until(lines, _STRINGS))
            strings = b"".join(_strings(lines))
            return formatted + (strings or b"\0") + b"\0" if formatted else b""
    return b""


def _bytes_until(lines: Iterator[str], end: str) -> Iterator[bytes]:
    for line in lines:
        if line == end:
            return
        if _HEXADECIMAL.fullmatch(line):
            yield bytes.fromhex(line)


def _strings(lines: Iterator[str]) -> Iterator[bytes]:
    """Each string is lines of bytes, the last of them zero, and then once more as text."""
    for line in lines:
        if not _HEXADECIMAL.fullmatch(line):
            continue
        octets = bytes.fromhex(line)
        yield octets
        if octets.endswith(b"\0"):
            next(lines, None)
