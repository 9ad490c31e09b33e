"""macOS itself, the room on its disk, uptime, and versions that somebody asks for.

There is no documented place that tells of a pending restart, so that this stays unknown.
"""

import re

from flashworthy_agent.probes.access import Access
from flashworthy_agent.probes.macos.answers import (
    PROGRAM_SECONDS,
    SYSTEM_VERSION,
    kernel,
    plist_in,
    read_plist,
    text_in,
)
from flashworthy_common.report import InstalledVersion, SoftwareSection
from flashworthy_common.values import NOT_REPORTED, Maybe, Unknown

_NO_RESTART = Unknown("macOS has no documented place that tells of a pending restart")
_NO_ESP = Unknown("macOS does not use the EFI system partition, and does not mount it")
# As sysctl(8) prints a timeval: { sec = 1793606400, usec = 0 } Mon Nov  2 08:00:00 2026
_BOOT_TIME = re.compile(r"\{ sec = ([0-9]{1,12}), usec = [0-9]+ \}")
_IDENTIFIER = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]*")  # of a package, "pkgutil(1)"
_LONGEST_UPTIME_SECONDS = 2**40


def look_at_software(access: Access) -> SoftwareSection:
    told, values = plist_in(access, SYSTEM_VERSION), kernel(access)
    return SoftwareSection(
        seen_at=access.now(),
        source="SystemVersion.plist, sysctl, free space of /",
        os_name=text_in(told, "ProductName"),
        os_version=text_in(told, "ProductVersion"),
        os_build=text_in(told, "ProductBuildVersion"),
        kernel=text_in(values, "kern.osrelease", "the kernel"),
        pending_updates=NOT_REPORTED,  # `updates` asks
        restart_pending=_NO_RESTART,
        system_free_bytes=access.files.free_bytes("/"),  # shared by all volumes of its container
        esp_free_bytes=_NO_ESP,
    )


def uptime_seconds(access: Access) -> Maybe[int]:
    values = kernel(access)
    if isinstance(values, Unknown):
        return values
    match = _BOOT_TIME.match(values.get("kern.boottime", ""))
    if match is None:
        return Unknown("the kernel tells no kern.boottime")
    seconds = int(access.now().timestamp()) - int(match[1])
    if 0 <= seconds <= _LONGEST_UPTIME_SECONDS:
        return seconds
    return Unknown("the clock was set after the start")


def look_for_versions(access: Access) -> SoftwareSection:
    """The section with nothing but the versions of installed packages."""
    return SoftwareSection(
        installed=tuple(
            InstalledVersion(name=name, version_text=_version(access, name))
            for name in access.look_for
        )
    )


def _version(access: Access, name: str) -> Maybe[str]:
    if not _IDENTIFIER.fullmatch(name):
        return Unknown("expected the identifier of a package, as pkgutil --pkgs lists it")
    said = access.programs.said(["pkgutil", "--pkg-info-plist", name], PROGRAM_SECONDS)
    if isinstance(said, Unknown):
        return said
    found = read_plist(said.encode(), "pkgutil")
    if isinstance(found, dict):
        return text_in(found, "pkg-version", "pkgutil")
    return found if isinstance(found, Unknown) else Unknown("pkgutil tells no pkg-version")
