"""Who is logged on, and which installers and update programs run.

- Sessions are logind's where it runs, else those of the list of logons.
- On the spot the session of whoever looks is left out: nobody has to be asked about it.
"""

from collections.abc import Iterator

from flashworthy_agent.probes.access import Access
from flashworthy_agent.probes.files import ANOTHER_ROOT, Files
from flashworthy_agent.probes.linux import logind, utmp
from flashworthy_agent.probes.linux.own_session import OwnSession, own_session
from flashworthy_common.report import PeopleSection, Session
from flashworthy_common.values import Maybe, Unknown

# As the kernel shows them: at most 15 characters (proc(5), /proc/pid/comm).
INSTALLERS = frozenset(
    {"apt", "apt-get", "aptitude", "dpkg", "unattended-upgr", "dnf", "dnf5", "dnf-automatic",
     "microdnf", "rpm", "rpm-ostree", "yum", "zypper", "pacman"}
)  # fmt: skip
# Debian's helper that only waits for a shutdown carries the upgrader's name, and always runs.
_WAITING = b"unattended-upgrade-shutdown"
_NOBODY = OwnSession(frozenset(), frozenset())


def look_at_people(access: Access) -> PeopleSection:
    has_logind = logind.is_running(access.files)
    own = own_session(access) if access.on_the_spot else _NOBODY
    return PeopleSection(
        seen_at=access.now(),
        source=f"{'logind' if has_logind else utmp.PATH}, /proc",
        sessions=_from_logind(access, own) if has_logind else _from_utmp(access, own),
        installers=_installers(access.files),
        inhibitors=logind.shutdown_inhibitors(access),
    )


def _from_logind(access: Access, own: OwnSession) -> Maybe[tuple[Session, ...]]:
    found = logind.sessions(access)
    if isinstance(found, Unknown):
        return found
    return tuple(
        Session(user=one.user, remote=one.remote, idle_seconds=_logind_idle_seconds(access, one))
        for one in found
        if one.id not in own.ids and one.terminal not in own.terminals
    )


def _logind_idle_seconds(access: Access, session: logind.LogindSession) -> Maybe[int]:
    if session.terminal and not session.is_desktop:
        return _idle_seconds(access, session.terminal)
    if isinstance(session.idle_since, Unknown):
        return session.idle_since
    return max(0, int(access.now().timestamp() - session.idle_since / 1e6))


def _from_utmp(access: Access, own: OwnSession) -> Maybe[tuple[Session, ...]]:
    found = utmp.logons(access)
    if isinstance(found, Unknown) and not access.is_live:
        return ANOTHER_ROOT
    if isinstance(found, Unknown):
        return Unknown(f"{found.because}; this system keeps no list there of who is logged on")
    return tuple(
        Session(
            user=one.user,
            remote=is_remote(one.host),
            idle_seconds=_idle_seconds(access, one.terminal),
        )
        for one in found
        if one.terminal not in own.terminals
    )


def is_remote(host: str) -> bool:
    """Whether a logon comes over a network; displays (``:1``) and multiplexers are local."""
    return bool(host) and host != "localhost" and not host.startswith((":", "tmux(", "screen"))


def _idle_seconds(access: Access, terminal: str) -> Maybe[int]:
    """Since the last key on a terminal: reading it sets its access time."""
    if not terminal or terminal.startswith(":"):
        return Unknown("a session without a terminal to tell by")
    last_key_at = access.files.accessed_at(f"/dev/{terminal}")
    if isinstance(last_key_at, Unknown):
        return last_key_at
    return max(0, int((access.now() - last_key_at).total_seconds()))


def _installers(files: Files) -> Maybe[tuple[str, ...]]:
    names = files.names("/proc")
    if isinstance(names, Unknown):
        return names
    processes = [name for name in names if name.isdecimal()]
    if not processes:
        return Unknown("/proc shows no processes")
    return tuple(sorted(set(_running_installers(files, processes))))


def _running_installers(files: Files, processes: list[str]) -> Iterator[str]:
    for process in processes:
        name = files.text(f"/proc/{process}/comm")
        if isinstance(name, Unknown) or name not in INSTALLERS:
            continue
        command = files.content(f"/proc/{process}/cmdline")
        if isinstance(command, Unknown) or _WAITING not in command:
            yield name
