"""The machine's own firmware, how it started Windows, and what UEFI says of itself.

- Windows copies the ESRT into the registry when it starts. Its numbers are passed on as they stand.
- An update waits where the firmware is asked to look for capsule files (UEFI §8.5.4), or where the
  driver package of a firmware resource holds a newer version than runs: Windows hands it over at
  the next start ("Processing updates"). One that was tried and failed does not wait; it is told by
  the last attempt.
"""

import re

from flashworthy_agent.probes.access import Access
from flashworthy_agent.probes.table_facts import of
from flashworthy_agent.probes.windows.smbios import fact, source, text
from flashworthy_agent.probes.windows.system import CURRENT_CONTROL, System
from flashworthy_common.esrt import of_unique_classes
from flashworthy_common.report import BootMode, EsrtEntry, FirmwareSection
from flashworthy_common.values import Maybe, Unknown

ESRT_KEY = r"HARDWARE\UEFI\ESRT"  # and the names of its values *from memory*
RESOURCES_KEY = r"SYSTEM\CurrentControlSet\Enum\UEFI"  # "Plug and play device": UEFI\RES_{class}
SECURE_BOOT_KEY = rf"{CURRENT_CONTROL}\SecureBoot\State"  # *from memory*
GLOBAL_VARIABLE = "8be4df61-93ca-11d2-aa0d-00e098032b8c"  # UEFI §3.3
_FILE_CAPSULES = 1 << 2  # EFI_OS_INDICATIONS_FILE_CAPSULE_DELIVERY_SUPPORTED, UEFI §8.5.4
_MODES = {1: BootMode.LEGACY, 2: BootMode.UEFI}  # "FIRMWARE_TYPE enumeration"
_GUID = re.compile(r"\{([0-9A-Fa-f]{8}(?:-[0-9A-Fa-f]{4}){3}-[0-9A-Fa-f]{12})\}")
_GREATEST = 2**32 - 1
NOT_UEFI = Unknown("the system was not started by UEFI")


def look_at_firmware(access: Access) -> FirmwareSection:
    system = System(access.inputs)
    mode = _boot_mode(system)
    entries = esrt(system) if mode is BootMode.UEFI else _not_uefi(mode)
    return FirmwareSection(
        seen_at=access.now(),
        source=source(access),
        maker=text(access, of("firmware", "vendor")),
        version_text=text(access, of("firmware", "version_text")),
        date_text=text(access, of("firmware", "release_date_text")),
        rom_bytes=fact(access, of("firmware", "rom_bytes")),
        release=text(access, of("firmware", "system_release")),
        controller_release=text(access, of("firmware", "controller_release")),
        flash_upgradeable=fact(access, of("firmware", "is_flash_upgradeable")),
        boot_mode=mode,
        secure_boot=_secure_boot(system) if mode is BootMode.UEFI else _not_uefi(mode),
        setup_mode=_setup_mode(system) if mode is BootMode.UEFI else _not_uefi(mode),
        esrt=entries,
        update_queued=_queued(system, entries) if mode is BootMode.UEFI else _not_uefi(mode),
    )


def _not_uefi(mode: Maybe[BootMode]) -> Unknown:
    return mode if isinstance(mode, Unknown) else NOT_UEFI


def _boot_mode(system: System) -> Maybe[BootMode]:
    kind = system.answer("firmware type")
    if isinstance(kind, Unknown):
        return kind
    return _MODES.get(kind, Unknown(f"Windows does not know what started it: {kind}"))


def _secure_boot(system: System) -> Maybe[bool]:
    value = system.number(SECURE_BOOT_KEY, "UEFISecureBootEnabled")
    return value if isinstance(value, Unknown) else value == 1


def _setup_mode(system: System) -> Maybe[bool]:
    value = system.answer("firmware variable", "SetupMode", GLOBAL_VARIABLE)
    if isinstance(value, Unknown):
        return value
    if value not in (b"\0", b"\1"):
        return Unknown(f"expected 00 or 01 in SetupMode, got {value[:16].hex(' ')}")
    return bool(value == b"\1")


# ---- ESRT -------------------------------------------------------------------------------------


def esrt(system: System) -> Maybe[tuple[EsrtEntry, ...]]:
    """All entries, or why there is no list that could be relied on."""
    present = system.has_key(ESRT_KEY)
    if present is not True:
        return present if isinstance(present, Unknown) else Unknown("this firmware has no ESRT")
    names = system.keys(ESRT_KEY)
    if isinstance(names, Unknown):
        return names
    entries = []
    for name in names:
        entry = _entry(system, name)
        if isinstance(entry, Unknown):
            return entry
        entries.append(entry)
    return of_unique_classes(entries)


def _entry(system: System, name: str) -> Maybe[EsrtEntry]:
    key = rf"{ESRT_KEY}\{name}"
    match = _GUID.fullmatch(name)
    if match is None:
        return Unknown(f"expected the GUID of a firmware class, got {name[:60]!r}")
    kind, version = _number(system, key, "Type"), _number(system, key, "Version")
    if isinstance(kind, Unknown):
        return kind
    if isinstance(version, Unknown):
        return version
    return EsrtEntry(
        firmware_class=match[1].lower(),
        firmware_type=kind,
        version=version,
        lowest_supported_version=_number(system, key, "LowestSupportedVersion"),
        capsule_flags=_number(system, key, "CapsuleFlags"),
        last_attempt_version=_number(system, key, "LastAttemptVersion"),
        last_attempt_status=_number(system, key, "LastAttemptStatus"),
    )


def _number(system: System, key: str, name: str) -> Maybe[int]:
    number = system.number(key, name)
    if isinstance(number, Unknown) or 0 <= number <= _GREATEST:
        return number
    return Unknown(f"expected a number of 32 bits in {key}: {name}, got {number}")


# ---- what waits for the next restart ----------------------------------------------------------


def _queued(system: System, entries: Maybe[tuple[EsrtEntry, ...]]) -> Maybe[tuple[str, ...]]:
    """What waits; empty only where both the variable and the driver packages were looked at."""
    answers = _asked_for(system), _handed_over_next(system, entries)
    found = [one for answer in answers if not isinstance(answer, Unknown) for one in answer]
    unseen = [answer for answer in answers if isinstance(answer, Unknown)]
    return unseen[0] if unseen and not found else tuple(found)


def _asked_for(system: System) -> Maybe[tuple[str, ...]]:
    """Firmware that was never asked anything has no such variable."""
    value = system.answer("firmware variable", "OsIndications", GLOBAL_VARIABLE)
    if isinstance(value, Unknown):
        return () if value.because.startswith("not there: ") else value
    if len(value) != 8:
        return Unknown(f"expected 8 bytes in OsIndications, got {value[:16].hex(' ')}")
    bits = int.from_bytes(value, "little")
    return ("the firmware is asked to look for capsule files",) if bits & _FILE_CAPSULES else ()


def _handed_over_next(
    system: System, entries: Maybe[tuple[EsrtEntry, ...]]
) -> Maybe[tuple[str, ...]]:
    """Driver packages of firmware that are newer than what runs, and were not tried yet.

    "Authoring an update driver package": FirmwareVersion stands in the device's own key.
    """
    devices = system.keys(RESOURCES_KEY)
    if isinstance(devices, Unknown):
        return () if devices.because.startswith("not there: ") else devices
    running = {} if isinstance(entries, Unknown) else {one.firmware_class: one for one in entries}
    waiting = []
    for device in devices:
        match = _GUID.fullmatch(device.removeprefix("RES_"))
        entry = running.get(match[1].lower()) if match else None
        version = _package_version(system, device)
        if entry and version is not None and _is_ahead(version, entry):
            waiting.append(f"a driver package holds {version:#x} for {entry.firmware_class}, "
                           f"which runs {entry.version:#x}")  # fmt: skip
    return tuple(waiting)


def _is_ahead(version: int, entry: EsrtEntry) -> bool:
    return version > entry.version and version != entry.last_attempt_version


def _package_version(system: System, device: str) -> int | None:
    """The greatest that a package of the device holds; none where it has no package."""
    instances = system.keys(rf"{RESOURCES_KEY}\{device}")
    versions = [
        system.number(rf"{RESOURCES_KEY}\{device}\{one}\Device Parameters", "FirmwareVersion")
        for one in (() if isinstance(instances, Unknown) else instances)
    ]
    return max((one for one in versions if not isinstance(one, Unknown)), default=None)
