"""The session in which the agent itself was started: whoever looks is nobody to be asked.

A program started through ``sudo`` or ``su`` may have a terminal of its own, so those of every
process above it count too.
"""

import re
from typing import NamedTuple

from flashworthy_agent.probes.access import Access
from flashworthy_agent.probes.files import Files
from flashworthy_common.values import Unknown

_SCOPE = re.compile(r"/session-([^/]+)\.scope")  # how logind names a session's group of processes
_MOST_ANCESTORS = 64
_TERMINALS, _FIRST_SERIAL = 4, 64  # Documentation/admin-guide/devices.txt
_PSEUDO_TERMINALS = range(136, 144)


class OwnSession(NamedTuple):
    """What one's own session is known by; empty: by nothing."""

    ids: frozenset[str]  # of logind
    terminals: frozenset[str]  # such as pts/0


def own_session(access: Access) -> OwnSession:
    group = access.files.content("/proc/self/cgroup")
    named = [] if isinstance(group, Unknown) else _SCOPE.findall(group.decode(errors="replace"))
    told = access.environment("XDG_SESSION_ID")
    return OwnSession(
        ids=frozenset(filter(None, (*named, told))),
        terminals=frozenset(filter(None, _terminals(access.files))),
    )


def _terminals(files: Files) -> list[str]:
    """The controlling terminals of this process and of all above it."""
    terminals, process = [], "self"
    for _ in range(_MOST_ANCESTORS):
        described = files.content(f"/proc/{process}/stat")
        if isinstance(described, Unknown):
            break
        # proc(5): the name in brackets may hold anything; behind it state, parent, group, session
        fields = described.rpartition(b")")[2].split()
        if len(fields) < 5 or not fields[4].isdigit():
            break
        process = fields[1].decode()
        terminals.append(terminal_named(int(fields[4])))
    return terminals


def terminal_named(device: int) -> str:
    """The name under ``/dev`` of a terminal's device number; empty: no terminal."""
    major, minor = device >> 8 & 0xFFF, device & 0xFF | device >> 12 & 0xFFF00
    if major in _PSEUDO_TERMINALS:
        return f"pts/{(major - _PSEUDO_TERMINALS.start) * 256 + minor}"
    if major != _TERMINALS:
        return ""
    return f"tty{minor}" if minor < _FIRST_SERIAL else f"ttyS{minor - _FIRST_SERIAL}"
