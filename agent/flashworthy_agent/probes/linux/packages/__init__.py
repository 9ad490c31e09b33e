"""The package manager of this system: which one it is, and what each is asked.

The one in use is told by what it keeps, not by the programs that lie about: a system may have the
programs of several. Each is asked by its own documented output, from the lists that it has: none is
made to fetch anything.
"""

from flashworthy_agent.probes.files import Files
from flashworthy_agent.probes.linux.packages.apt import APT
from flashworthy_agent.probes.linux.packages.dnf import DNF
from flashworthy_agent.probes.linux.packages.manager import PackageManager
from flashworthy_agent.probes.linux.packages.pacman import PACMAN
from flashworthy_agent.probes.linux.packages.zypper import ZYPPER
from flashworthy_common.values import Maybe, Unknown

_MANAGERS = (APT, ZYPPER, DNF, PACMAN)


def manager_of(files: Files) -> Maybe[PackageManager]:
    found = [one for one in _MANAGERS if files.is_there(one.in_use)]
    if found:
        return found[0]
    names = ", ".join(one.program for one in _MANAGERS)
    return Unknown(f"none of the package managers that this agent knows is in use: {names}")
