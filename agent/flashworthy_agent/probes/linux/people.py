"""Who is logged on, and which installers and update programs run."""

from flashworthy_agent.probes.access import Access
from flashworthy_agent.probes.files import ANOTHER_ROOT, Files
from flashworthy_common.report import PeopleSection, Session
from flashworthy_common.values import Maybe, Unknown

_LOGONS = "/run/utmp"
# As the kernel shows them: at most 15 characters (proc(5), /proc/pid/comm).
INSTALLERS = frozenset(
    {"apt", "apt-get", "dpkg", "unattended-upgr", "dnf", "yum", "rpm", "zypper", "pacman"}
)
# Debian's helper that only waits for a shutdown carries the upgrader's name, and always runs.
_WAITING = b"unattended-upgrade-shutdown"


def look_at_people(access: Access) -> PeopleSection:
    return PeopleSection(
        seen_at=access.now(),
        source=f"{_LOGONS}, /proc",
        sessions=_sessions(access),
        installers=_installers(access.files),
    )


def _sessions(access: Access) -> Maybe[tuple[Session, ...]]:
    if not access.is_live:
        return ANOTHER_ROOT
    if access.files.is_absent(_LOGONS):
        return Unknown(f"not there: {_LOGONS}; this system keeps no list of who is logged on there")
    import psutil  # late: it is not cheap, and not needed for another root

    return tuple(
        Session(
            user=user.name,
            remote=is_remote(user.host),
            idle_seconds=_idle_seconds(access, user.terminal),
        )
        for user in psutil.users()
    )


def is_remote(host: str | None) -> bool:
    """Whether a logon comes over a network; displays (``:1``) and multiplexers are local."""
    return bool(host) and host != "localhost" and not str(host).startswith((":", "tmux(", "screen"))


def _idle_seconds(access: Access, terminal: str | None) -> Maybe[int]:
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
    running = {_installer(files, process) for process in processes}
    return tuple(sorted(name for name in running if name))


def _installer(files: Files, process: str) -> str | None:
    name = files.text(f"/proc/{process}/comm")
    if isinstance(name, Unknown) or name not in INSTALLERS:
        return None
    command = files.content(f"/proc/{process}/cmdline")
    is_waiting = not isinstance(command, Unknown) and _WAITING in command
    return None if is_waiting else name
