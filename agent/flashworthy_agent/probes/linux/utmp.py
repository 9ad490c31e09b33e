"""The system's own list of logons, ``/run/utmp``: fixed records, as utmp(5) has them."""

import struct
from typing import NamedTuple

from flashworthy_agent.probes.access import Access
from flashworthy_common.values import Maybe, Unknown

PATH = "/run/utmp"
_USER_PROCESS = 7
_FIELDS = struct.Struct("=hxxi32s4s32s256s")  # type, process, line, id, user, host
# Behind them follow times; where no 32-bit program has to be served they are wider.
_WIDE = ("aarch64", "riscv64", "loongarch64")
_RECORD_BYTES, _WIDE_RECORD_BYTES = 384, 400


class Logon(NamedTuple):
    """One person's logon; host is empty where it does not come over a network."""

    user: str
    terminal: str
    host: str
    process: int


def logons(access: Access) -> Maybe[list[Logon]]:
    """Those whose process still runs: a list that a crash left behind names others too."""
    content = access.files.content(PATH)
    if isinstance(content, Unknown):
        return content
    return [
        logon
        for logon in parse_logons(content, record_bytes(access.architecture))
        if not access.files.is_absent(f"/proc/{logon.process}")
    ]


def record_bytes(architecture: str) -> int:
    return _WIDE_RECORD_BYTES if architecture in _WIDE else _RECORD_BYTES


def parse_logons(content: bytes, record_bytes: int = _RECORD_BYTES) -> list[Logon]:
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
