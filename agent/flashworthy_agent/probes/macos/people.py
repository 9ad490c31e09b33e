"""Who is logged on, how long idle, and which installers run.

- Sessions are those of "who(1)" (POSIX.1-2017): the console, each terminal window, and those from
  afar, which name where from. Somebody who shares the screen from afar is not listed there.
- How long nobody touched keyboard and mouse is the I/O Registry's `HIDIdleTime`, in nanoseconds
  (*from memory*); it is the console's idle time, as terminals there see no mouse.
"""

import re

from flashworthy_agent.probes.access import Access
from flashworthy_agent.probes.macos.answers import PROGRAM_SECONDS, first_of_plist, number_in
from flashworthy_common.report import PeopleSection, Session
from flashworthy_common.values import Maybe, Unknown

SESSIONS = ("who", "-u")
INPUT = ("ioreg", "-a", "-r", "-d", "1", "-c", "IOHIDSystem")
PROCESSES = ("ps", "-A", "-c", "-o", "comm=")  # names without folders and arguments
# mira     ttys001      Nov  2 09:10 00:05   431 (10.0.0.7)
_SESSION = re.compile(
    r"""(?P<user>\S+) \s+ (?P<line>\S+) \s+ [A-Z][a-z]{2} \s+ [0-9]{1,2} \s+ [0-9]{2}:[0-9]{2} \s*
        (?P<idle> \. | old | [0-9]{1,2}:[0-9]{2})? \s* [0-9]* \s* (?:\((?P<origin>[^)]*)\))? \s*""",
    re.VERBOSE,
)
_CONSOLE = "console"
_LONGEST_IDLE_SECONDS = 2**40
_A_DAY_SECONDS = 86_400  # "old"
# Installers of packages and of the system; the services that only wait for them are not among
# them. *From memory*.
INSTALLERS = frozenset({"installer", "softwareupdate", "startosinstall", "installassistant",
                        "osinstallersetupd"})  # fmt: skip
_NO_WORD = Unknown("macOS has no list of the programs that hold off a shutdown")


def look_at_people(access: Access) -> PeopleSection:
    return PeopleSection(
        seen_at=access.now(),
        source="who, ioreg: IOHIDSystem, ps",
        sessions=_sessions(access),
        installers=_installers(access),
        inhibitors=_NO_WORD,
    )


def _sessions(access: Access) -> Maybe[tuple[Session, ...]]:
    told = access.programs.said(list(SESSIONS), PROGRAM_SECONDS)
    if isinstance(told, Unknown):
        return told
    lines = [line for line in told.splitlines() if line.strip()]
    matches = [match for line in lines if (match := _SESSION.fullmatch(line))]
    if len(matches) < len(lines):
        return Unknown("expected a name, a line and a time of each session, got another form")
    return tuple(_session(access, match) for match in matches)


def _session(access: Access, match: "re.Match[str]") -> Session:
    is_console = match["line"] == _CONSOLE
    return Session(
        user=match["user"],
        remote=match["origin"] is not None,
        idle_seconds=_untouched_seconds(access) if is_console else _idle_seconds(match["idle"]),
    )


def _idle_seconds(told: str | None) -> Maybe[int]:
    if told is None:
        return Unknown("who tells no idle time of it")
    if told in (".", "old"):
        return 0 if told == "." else _A_DAY_SECONDS
    hours, minutes = told.split(":")
    return 3600 * int(hours) + 60 * int(minutes)


def _untouched_seconds(access: Access) -> Maybe[int]:
    told = first_of_plist(access, INPUT, "the I/O Registry tells no keyboard and mouse")
    number = number_in(told, "HIDIdleTime", "the I/O Registry")
    if isinstance(number, Unknown):
        return number
    seconds = number // 1_000_000_000
    return seconds if 0 <= seconds <= _LONGEST_IDLE_SECONDS else Unknown(f"no time: {number}")


def _installers(access: Access) -> Maybe[tuple[str, ...]]:
    told = access.programs.said(list(PROCESSES), PROGRAM_SECONDS)
    if isinstance(told, Unknown):
        return told
    names = {line.strip() for line in told.splitlines()}
    return tuple(sorted(name for name in names if name.casefold() in INSTALLERS))
