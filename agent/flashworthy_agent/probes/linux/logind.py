"""What systemd's logind knows: sessions, and who holds off a shutdown.

- `loginctl show-session` and the bus are its documented ways (loginctl(1),
  org.freedesktop.login1(5)); of its files under ``/run`` only the names are used, so that no
  program is run where there is nothing to ask about.
- Of who holds off a shutdown only the program is told: its reason may name a document.
"""

import json
from typing import NamedTuple

from flashworthy_agent.probes.access import Access
from flashworthy_agent.probes.files import ANOTHER_ROOT, Files
from flashworthy_common.values import Maybe, Unknown

_RUNS = "/run/systemd/system"  # sd_booted(3)
_SESSIONS = "/run/systemd/sessions"
_INHIBITORS = "/run/systemd/inhibit"
_TIMEOUT_SECONDS = 4.0
_PROPERTIES = ("Id", "Name", "Class", "State", "Type", "TTY", "Remote", "IdleHint", "IdleSinceHint")
_SHOW = ["loginctl", "show-session", *(f"--property={name}" for name in _PROPERTIES)]
_LIST_INHIBITORS = ["busctl", "--json=short", "call", "org.freedesktop.login1",
                    "/org/freedesktop/login1", "org.freedesktop.login1.Manager",
                    "ListInhibitors"]  # fmt: skip
_NO_LOGIND = Unknown("systemd does not run here, so nothing lists who holds off a shutdown")


class LogindSession(NamedTuple):
    """One session of a person."""

    id: str
    user: str
    terminal: str  # empty: none, as for most desktops
    remote: bool
    is_desktop: bool
    idle_since: Maybe[int]  # microseconds since 1970


def is_running(files: Files) -> bool:
    return files.is_there(_RUNS) and files.is_there(_SESSIONS)


def sessions(access: Access) -> Maybe[list[LogindSession]]:
    """The sessions of people; none of programs that run on somebody's behalf."""
    ids = _names(access.files, _SESSIONS)
    if isinstance(ids, Unknown):
        return ids
    if not ids:
        return []
    said = access.programs.said([*_SHOW, *ids], _TIMEOUT_SECONDS)
    return said if isinstance(said, Unknown) else parse_sessions(said)


def parse_sessions(text: str) -> list[LogindSession]:
    """Lines ``NAME=VALUE``, sessions divided by empty lines."""
    blocks = (block.splitlines() for block in text.split("\n\n"))
    told = (dict(line.partition("=")[::2] for line in block) for block in blocks)
    return [
        _session(one)
        for one in told
        if one.get("Class") == "user" and one.get("State") != "closing" and one.get("Name")
    ]


def _session(told: dict[str, str]) -> LogindSession:
    since = told.get("IdleSinceHint", "")
    is_idle = told.get("IdleHint") == "yes" and since.isascii() and since.isdecimal()
    return LogindSession(
        id=told.get("Id", ""),
        user=told["Name"],
        terminal=told.get("TTY", ""),
        remote=told.get("Remote") == "yes",
        is_desktop=told.get("Type") in ("x11", "wayland", "mir"),
        idle_since=int(since) if is_idle else Unknown("the session says that it is not idle"),
    )


def shutdown_inhibitors(access: Access) -> Maybe[tuple[str, ...]]:
    """The programs that hold off a shutdown until they are done."""
    if not is_running(access.files):
        return _NO_LOGIND if access.is_live else ANOTHER_ROOT
    names = _names(access.files, _INHIBITORS)
    if isinstance(names, Unknown):
        return names
    if not names:
        return ()
    said = access.programs.said(_LIST_INHIBITORS, _TIMEOUT_SECONDS)
    return said if isinstance(said, Unknown) else parse_inhibitors(said)


def parse_inhibitors(text: str) -> Maybe[tuple[str, ...]]:
    """Of a list of what, who, why, mode, user and process: who blocks a shutdown."""
    try:
        (listed,) = json.loads(text)["data"]
        found = {
            str(who) for what, who, _, mode, *_ in listed
            if "shutdown" in what.split(":") and mode.startswith("block")
        }  # fmt: skip
    except (ValueError, LookupError, TypeError, AttributeError, RecursionError):
        return Unknown(f"expected the list of ListInhibitors, got {text[:80]!r}")
    return tuple(sorted(found))


def _names(files: Files, folder: str) -> Maybe[tuple[str, ...]]:
    """What logind keeps a file for; beside each lies a pipe whose name has a dot."""
    names = files.names(folder)
    if isinstance(names, Unknown):
        return names
    return tuple(name for name in names if "." not in name)
