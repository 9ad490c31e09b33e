"""Who is logged on, and which installers and update programs run.

- A session is of whoever is named in it; the system's own sessions name nobody.
- For a session at the machine's own screen Windows may keep no time of the last input: unknown.
- The Windows Installer leaves its service running for a while; that it installs is told by a mutex
  that it holds only then ("_MSIExecute Mutex").
"""

from typing import Any

from flashworthy_agent.probes.access import Access
from flashworthy_agent.probes.windows.structures import SessionInformation, read, text
from flashworthy_agent.probes.windows.system import System
from flashworthy_common.report import PeopleSection, Session
from flashworthy_common.values import Maybe, Unknown

# "WTS_INFO_CLASS enumeration", WTSClientProtocolType
_CONSOLE, _RDP = 0, 2
_TICKS_A_SECOND = 10_000_000  # of a FILETIME
_LONGEST_IDLE_SECONDS = 2**40
INSTALLING = "Global\\_MSIExecute"
# Windows' own servicing, stand-alone updates, and the set-up of a new Windows; *from memory*.
INSTALLERS = frozenset({"trustedinstaller.exe", "tiworker.exe", "wusa.exe", "setuphost.exe",
                        "setupprep.exe", "dism.exe", "winget.exe"})  # fmt: skip
_NO_WORD = Unknown("Windows has no list of the programs that hold off a shutdown")


def look_at_people(access: Access) -> PeopleSection:
    system = System(access.inputs)
    own = system.answer("own session") if access.on_the_spot else None
    return PeopleSection(
        seen_at=access.now(),
        source="WTSEnumerateSessions, process list",
        sessions=_sessions(system.answer("sessions"), own),
        installers=_installers(system),
        inhibitors=_NO_WORD,
    )


def _sessions(told: Any, own: Any) -> Maybe[tuple[Session, ...]]:
    if isinstance(told, Unknown):
        return told
    found = [(protocol, read(SessionInformation, octets)) for protocol, octets in told]
    return tuple(
        _session(protocol, one)
        for protocol, one in found
        if one is not None and text(one.user_name) and one.session_id != own
    )


def _session(protocol: int, one: SessionInformation) -> Session:
    remote = {_CONSOLE: False, _RDP: True}.get(protocol)
    return Session(
        user=text(one.user_name),
        remote=Unknown(f"a session of protocol {protocol}") if remote is None else remote,
        idle_seconds=_idle_seconds(one),
    )


def _idle_seconds(one: SessionInformation) -> Maybe[int]:
    """Windows' own clock against itself: both times are of the answer."""
    seconds = (one.current_time - one.last_input_time) // _TICKS_A_SECOND
    if one.last_input_time > 0 and 0 <= seconds <= _LONGEST_IDLE_SECONDS:
        return int(seconds)
    return Unknown("Windows keeps no time of the last input in this session")


def _installers(system: System) -> Maybe[tuple[str, ...]]:
    names, installs = system.answer("process names"), system.answer("has mutex", INSTALLING)
    if isinstance(names, Unknown):
        return names
    if isinstance(installs, Unknown):
        return installs
    running = {name for name in names if name.lower() in INSTALLERS}
    return tuple(sorted(running | ({"Windows Installer"} if installs else set())))
