"""The package manager of this system: which one it is, and what each is asked.

The one in use is told by what it keeps, not by the programs that lie about: a system may have the
programs of several. Each is asked by its own documented output, from the lists that it has: none is
made to fetch anything.
"""

from importlib import import_module

from flashworthy_agent.probes.files import Files
from flashworthy_agent.probes.linux.packages.manager import PackageManager
from flashworthy_common.values import Maybe, Unknown

# A path that is there where one looks after the system, and the module that knows it.
_IN_USE = {
    "/var/lib/dpkg/status": "apt",
    "/etc/zypp/repos.d": "zypper",
    "/etc/yum.repos.d": "dnf",
    "/var/lib/pacman/local": "pacman",
}


def manager_of(files: Files) -> Maybe[PackageManager]:
    for path, name in _IN_USE.items():
        if files.is_there(path):  # and only that one's module is loaded
            manager: PackageManager = import_module(f"{__name__}.{name}").MANAGER
            return manager
    names = ", ".join(_IN_USE.values())
    return Unknown(f"none of the package managers that this agent knows is in use: {names}")
