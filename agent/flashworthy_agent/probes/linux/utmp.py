"""The system's own list of logons, ``/run/utmp``: fixed records, as utmp(5) has them."""

import os
import struct
from typing import NamedTuple

from flashworthy_agent.probes.files import Files
from flashworthy_common.values import Maybe, Unknown

PATH = "/run/utmp"
_USER_PROCESS = 7
_FIELDS = struct.Struct("=hxxi32s4s32s256s")  # type, process, line, id, user, host
# Behind them follow times; where no 32-bit program has to be served they are wider.
_WIDE = ("aarch64", "riscv64", "loongarch64")
RECORD_BYTES = 400 if os.uname().machine in _WIDE else 384


class Logon(NamedTuple):
    """One person's logon; host is empty where it does not come over a network."""

    user: str
    terminal: str
    host: str
    process: int


def logons(files: Files) -> Maybe[list[Logon]]:
    """Those whose process still runs: a list that a crash left behind names others too."""
    content = files.content(PATH)
    if isinstance(content, Unknown):
        return content
    return [
        logon
        for logon in parse_logons(content)
        if not files.is_absent(f"/proc/{logon.process}")
    ]  # fmt: skip


def parse_logons(content: bytes, record_bytes: int = RECORD_BYTES) -> list[Logon]:
    """The records of people, in order; one that is cut short is left out."""
    whole = range(0, len(content) - record_bytes + 1, record_bytes)
    records = [_FIELDS.unpack_from(content, at) for at in whole]
    return [
        Logon(_text(user), _text(line), _text(host), process)
        for kind, process, line, _, user, host in records
        if kind == _USER_PROCESS
    ]


def _text(octets: bytes) -> str:
    return octets.partition(b"\0")[0].decode("utf-8", "replace")
