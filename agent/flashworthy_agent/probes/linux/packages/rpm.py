"""The database of installed packages that dnf and zypper share."""

from flashworthy_agent.probes.access import Access
from flashworthy_agent.probes.linux.packages.manager import parse_pairs
from flashworthy_common.values import Maybe, Unknown

CHANGES = tuple(
    f"{folder}/{name}"
    for folder in ("/var/lib/rpm", "/usr/lib/sysimage/rpm")
    for name in ("rpmdb.sqlite", "rpmdb.sqlite-wal", "Packages.db", "Packages")
)
_COMMAND = ["rpm", "--query", "--queryformat", "%{NAME} %{EVR}\\n"]
_TIMEOUT_SECONDS = 5.0


def installed_rpms(access: Access, names: tuple[str, ...]) -> Maybe[dict[str, str]]:
    """`rpm` says of each name that it does not know that it is not installed: no pair of words."""
    outcome = access.programs.run([*_COMMAND, *names], _TIMEOUT_SECONDS)
    return outcome if isinstance(outcome, Unknown) else parse_pairs(outcome.output)
