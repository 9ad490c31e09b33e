"""The versions of the drivers and packages that somebody asks for by name."""

import re

from flashworthy_agent.probes.access import Access
from flashworthy_agent.probes.files import ANOTHER_ROOT, Files
from flashworthy_agent.probes.linux.packages import manager_of
from flashworthy_common.report import InstalledVersion, SoftwareSection
from flashworthy_common.values import Maybe, Unknown

_MODULES = "/sys/module"
_PACKAGE_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9+._:-]*")  # of every package manager here


def look_for_versions(access: Access) -> SoftwareSection:
    """The section with nothing but these versions."""
    packages = _packages(access)
    return SoftwareSection(
        installed=tuple(
            InstalledVersion(name=name, version_text=_version(access.files, packages, name))
            for name in access.look_for
        )
    )


def _packages(access: Access) -> Maybe[dict[str, str]]:
    names = tuple(name for name in access.look_for if _PACKAGE_NAME.fullmatch(name))
    if not names:
        return {}
    if not access.is_live:
        return ANOTHER_ROOT
    manager = manager_of(access.files)
    return manager if isinstance(manager, Unknown) else manager.installed(access, names)


def _version(files: Files, packages: Maybe[dict[str, str]], name: str) -> Maybe[str]:
    """Of the package of that name, or else of the loaded driver."""
    if not isinstance(packages, Unknown) and name in packages:
        return packages[name]
    module = f"{_MODULES}/{name.replace('-', '_')}"
    if _PACKAGE_NAME.fullmatch(name) and files.is_there(module):
        version = files.text(f"{module}/version")
        loaded = Unknown("the driver is loaded, but tells no version")
        return loaded if isinstance(version, Unknown) else version
    if isinstance(packages, Unknown):
        return packages
    return Unknown("there is neither a package nor a loaded driver of that name")
