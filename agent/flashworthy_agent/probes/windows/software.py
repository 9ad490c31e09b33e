"""Windows itself, whether it waits for a restart, the room on its disks, and uptime.

Each place that tells of a pending restart is named, for they differ in what they mean; most are
documented by their use only, and so *from memory*.
"""

import re

from flashworthy_agent.probes.access import Access
from flashworthy_agent.probes.windows.machine import NAME_IN_FORCE
from flashworthy_agent.probes.windows.script import texts_in, told_of
from flashworthy_agent.probes.windows.system import CURRENT_CONTROL, System
from flashworthy_common.report import SoftwareSection
from flashworthy_common.values import NOT_REPORTED, Maybe, Unknown

VERSION_KEY = r"SOFTWARE\Microsoft\Windows NT\CurrentVersion"
_FIRST_BUILD_OF_11 = 22000  # its registry still says 10; *from memory*
# A generation, such as "Windows 10" and "Windows Server 2022", and the edition.
_PRODUCT = re.compile(r"(Windows(?: Server)? [0-9.]+(?: R2)?)\s*(.*)")
_WINDOWS_KEY = r"SOFTWARE\Microsoft\Windows\CurrentVersion"
SERVICING_KEY = rf"{_WINDOWS_KEY}\Component Based Servicing\RebootPending"
UPDATE_KEY = rf"{_WINDOWS_KEY}\WindowsUpdate\Auto Update\RebootRequired"
SESSION_KEY = rf"{CURRENT_CONTROL}\Session Manager"
RENAMES = "PendingFileRenameOperations"  # "MoveFileExW": MOVEFILE_DELAY_UNTIL_REBOOT
NEW_NAME = rf"{CURRENT_CONTROL}\ComputerName\ComputerName"
_EFI_KIND = "{c12a7328-f81f-11d2-ba4b-00a0c93ec93b}"  # UEFI §5.3.3: EFI System Partition
_VOLUME = "\\\\?\\Volume{"


def look_at_software(access: Access) -> SoftwareSection:
    system = System(access.inputs)
    name, version = _product(system)
    return SoftwareSection(
        seen_at=access.now(),
        source="registry, free space of the system's drive",
        os_name=name,
        os_version=version,
        os_build=_build(system),
        kernel=_kernel(system),
        pending_updates=NOT_REPORTED,  # `updates` asks
        restart_pending=_restart_pending(system),
        system_free_bytes=_system_free_bytes(access),
        esp_free_bytes=NOT_REPORTED,  # `look_at_efi_room` asks
    )


def look_at_efi_room(access: Access) -> SoftwareSection:
    """The section with nothing but the room on the EFI system partition."""
    return SoftwareSection(esp_free_bytes=_efi_free_bytes(access))


def uptime_seconds(access: Access) -> Maybe[int]:
    milliseconds = System(access.inputs).answer("uptime")
    return milliseconds if isinstance(milliseconds, Unknown) else max(0, milliseconds // 1000)


# ---- what it is -------------------------------------------------------------------------------


def _product(system: System) -> tuple[Maybe[str], Maybe[str]]:
    """The generation, as release notes name it; the edition and the half-yearly version."""
    told = system.text(VERSION_KEY, "ProductName")
    half_year = system.text(VERSION_KEY, "DisplayVersion")
    match = None if isinstance(told, Unknown) else _PRODUCT.fullmatch(told)
    if match is None:
        return told, half_year
    build = system.text(VERSION_KEY, "CurrentBuildNumber")
    is_11 = isinstance(build, str) and build.isdecimal() and int(build) >= _FIRST_BUILD_OF_11
    name = "Windows 11" if match[1] == "Windows 10" and is_11 else match[1]
    words = [match[2], half_year if isinstance(half_year, str) else ""]
    return name, " ".join(filter(None, words)) or half_year


def _build(system: System) -> Maybe[str]:
    """Such as 22631.3007: the build, and which cumulative update it has."""
    build = system.text(VERSION_KEY, "CurrentBuildNumber")
    revision = system.number(VERSION_KEY, "UBR")
    if isinstance(build, Unknown) or isinstance(revision, Unknown):
        return build
    return f"{build}.{revision}"


def _kernel(system: System) -> Maybe[str]:
    major = system.number(VERSION_KEY, "CurrentMajorVersionNumber")
    minor = system.number(VERSION_KEY, "CurrentMinorVersionNumber")
    build = system.text(VERSION_KEY, "CurrentBuildNumber")
    unknown = next((part for part in (major, minor, build) if isinstance(part, Unknown)), None)
    return unknown or f"{major}.{minor}.{build}"


# ---- restart ----------------------------------------------------------------------------------


def _restart_pending(system: System) -> Maybe[tuple[str, ...]]:
    """Why a restart is pending; empty only where every place could be looked at."""
    answers = (
        _by_key(system, SERVICING_KEY, "servicing: Component Based Servicing\\RebootPending"),
        _by_key(system, UPDATE_KEY, "updates: WindowsUpdate\\Auto Update\\RebootRequired"),
        _renames(system),
        _new_name(system),
    )
    reasons = tuple(answer for answer in answers if isinstance(answer, str))
    unseen = [answer for answer in answers if isinstance(answer, Unknown)]
    return unseen[0] if unseen and not reasons else reasons


def _by_key(system: System, key: str, reason: str) -> Maybe[str | None]:
    present = system.has_key(key)
    if isinstance(present, Unknown):
        return present
    return reason if present else None


def _renames(system: System) -> Maybe[str | None]:
    present = system.has_value(SESSION_KEY, RENAMES)
    if present is not True:
        return present if isinstance(present, Unknown) else None
    names = system.texts(SESSION_KEY, RENAMES)
    if isinstance(names, Unknown):
        return names
    return f"files to be replaced: {RENAMES} ({len(names)} names)" if names else None


def _new_name(system: System) -> Maybe[str | None]:
    now = system.text(NAME_IN_FORCE, "ComputerName")
    then = system.text(NEW_NAME, "ComputerName")
    if isinstance(now, Unknown):
        return now
    if isinstance(then, Unknown):
        return then
    return None if now.casefold() == then.casefold() else f"a new name: ComputerName {then}"


# ---- room -------------------------------------------------------------------------------------


def _system_free_bytes(access: Access) -> Maybe[int]:
    drive = access.environment("SystemDrive")
    if not drive:
        return Unknown("the environment does not name the system's drive")
    return System(access.inputs).free_bytes(f"{drive}\\")


def _efi_free_bytes(access: Access) -> Maybe[int]:
    """Of the EFI system partition that Windows was started from, or the only one."""
    told = told_of(access).of("partitions")
    if isinstance(told, Unknown):
        return told
    found = [item for item in told if str(item.get("kind")).lower() == _EFI_KIND]
    chosen = [item for item in found if item.get("is_system") is True] or found
    paths = [
        path for item in chosen for path in texts_in(item, "paths") if path.startswith(_VOLUME)
    ]
    if len(paths) != 1:
        return Unknown(f"expected one EFI system partition with a path, got {len(paths)}")
    return System(access.inputs).free_bytes(paths[0])
