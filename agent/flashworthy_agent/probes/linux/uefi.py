"""How the firmware started this system, and what UEFI says of itself on Linux.

- The kernel has its folder for UEFI only where UEFI started it.
- A variable's file is four bytes of attributes and then the value
  (the kernel's Documentation/filesystems/efivarfs.rst).
- The ESRT is for root alone; its numbers are passed on as they stand (UEFI §23.4).
- An update waits for the next restart where OsIndications asks the firmware to look for capsule
  files (UEFI §8.5.4), or where such files lie ready on the EFI system partition (§8.5.5).
"""

import re

from flashworthy_agent.probes.files import Files
from flashworthy_agent.probes.linux.mounts import esp_folder
from flashworthy_agent.probes.linux.smbios import Smbios
from flashworthy_common.esrt import of_unique_classes
from flashworthy_common.report import BootMode, EsrtEntry
from flashworthy_common.values import Maybe, Unknown

EFI_FOLDER = "/sys/firmware/efi"
ESRT_FOLDER = f"{EFI_FOLDER}/esrt/entries"
NOT_UEFI = Unknown("the system was not started by UEFI")
_GLOBAL_VARIABLE = "8be4df61-93ca-11d2-aa0d-00e098032b8c"  # UEFI §3.3
_GUID = re.compile(r"[0-9a-f]{8}(?:-[0-9a-f]{4}){3}-[0-9a-f]{12}")
_ATTRIBUTES_BYTES = 4
_FILE_CAPSULES = 1 << 2  # EFI_OS_INDICATIONS_FILE_CAPSULE_DELIVERY_SUPPORTED, UEFI §8.5.4
_CAPSULE_PATH = ("EFI", "UpdateCapsule")
_GREATEST = 2**32 - 1  # every number of an ESRT entry has 32 bits


def boot_mode(files: Files, smbios: Smbios) -> Maybe[BootMode]:
    """UEFI where the kernel has its folder; legacy where it lacks it but was handed SMBIOS.

    Without either, nothing tells what started the system: some are started without firmware.
    """
    if files.is_there(EFI_FOLDER):
        return BootMode.UEFI
    return BootMode.LEGACY if smbios.nothing is None else smbios.nothing


def flag_variable(files: Files, mode: Maybe[BootMode], name: str) -> Maybe[bool]:
    """A one-byte variable: 1 or 0; others are reserved."""
    if mode is not BootMode.UEFI:
        return mode if isinstance(mode, Unknown) else NOT_UEFI
    content = files.content(_variable_path(name))
    if isinstance(content, Unknown):
        return content
    value = content[_ATTRIBUTES_BYTES:]
    if value not in (b"\0", b"\1"):
        return Unknown(f"expected 4 bytes and then 00 or 01 in {name}, got {content[:16].hex(' ')}")
    return value == b"\1"


def _variable_path(name: str) -> str:
    return f"{EFI_FOLDER}/efivars/{name}-{_GLOBAL_VARIABLE}"


# ---- ESRT -------------------------------------------------------------------------------------


def esrt(files: Files, mode: Maybe[BootMode]) -> Maybe[tuple[EsrtEntry, ...]]:
    """All entries, or why there is no list that could be relied on."""
    if mode is not BootMode.UEFI:
        return mode if isinstance(mode, Unknown) else NOT_UEFI
    names = files.names(ESRT_FOLDER)
    if isinstance(names, Unknown):
        is_absent = files.is_absent(f"{EFI_FOLDER}/esrt")
        return Unknown("this firmware has no ESRT") if is_absent else names
    entries = []
    for name in names:
        entry = _entry(files, f"{ESRT_FOLDER}/{name}")
        if isinstance(entry, Unknown):
            return entry
        entries.append(entry)
    return of_unique_classes(entries)


def _entry(files: Files, folder: str) -> Maybe[EsrtEntry]:
    firmware_class = _guid(files, f"{folder}/fw_class")
    firmware_type = _number(files, f"{folder}/fw_type")
    version = _number(files, f"{folder}/fw_version")
    if isinstance(firmware_class, Unknown):
        return firmware_class
    if isinstance(firmware_type, Unknown):
        return firmware_type
    if isinstance(version, Unknown):
        return version
    return EsrtEntry(
        firmware_class=firmware_class,
        firmware_type=firmware_type,
        version=version,
        lowest_supported_version=_number(files, f"{folder}/lowest_supported_fw_version"),
        capsule_flags=_number(files, f"{folder}/capsule_flags"),
        last_attempt_version=_number(files, f"{folder}/last_attempt_version"),
        last_attempt_status=_number(files, f"{folder}/last_attempt_status"),
    )


def _guid(files: Files, path: str) -> Maybe[str]:
    text = files.text(path)
    if isinstance(text, Unknown):
        return text
    if _GUID.fullmatch(text.lower()):
        return text.lower()
    return Unknown(f"expected a GUID in {path}, got {text[:40]!r}")


def _number(files: Files, path: str) -> Maybe[int]:
    """Decimal, or hexadecimal after ``0x`` as the kernel writes flags; 32 bits."""
    text = files.text(path)
    if isinstance(text, Unknown):
        return text
    try:
        number = int(text, 0)
    except ValueError:
        number = -1
    if 0 <= number <= _GREATEST:
        return number
    return Unknown(f"expected a number of 32 bits in {path}, got {text[:40]!r}")


# ---- what waits for the next restart ----------------------------------------------------------


def update_queued(files: Files, mode: Maybe[BootMode]) -> Maybe[tuple[str, ...]]:
    """What waits; empty only where both the variable and the folder were looked at."""
    if mode is not BootMode.UEFI:
        return mode if isinstance(mode, Unknown) else NOT_UEFI
    answers = _asked_for(files), _capsule_files(files)
    found = [one for answer in answers if not isinstance(answer, Unknown) for one in answer]
    unseen = [answer for answer in answers if isinstance(answer, Unknown)]
    return unseen[0] if unseen and not found else tuple(found)


def _asked_for(files: Files) -> Maybe[tuple[str, ...]]:
    """Firmware that was never asked anything has no such variable."""
    path = _variable_path("OsIndications")
    content = files.content(path)
    if isinstance(content, Unknown):
        others = files.names(f"{EFI_FOLDER}/efivars")
        is_unset = files.is_absent(path) and others and not isinstance(others, Unknown)
        return () if is_unset else content
    if len(content) != _ATTRIBUTES_BYTES + 8:
        return Unknown(f"expected 4 and 8 bytes in OsIndications, got {content[:16].hex(' ')}")
    bits = int.from_bytes(content[_ATTRIBUTES_BYTES:], "little")
    return ("the firmware is asked to look for capsule files",) if bits & _FILE_CAPSULES else ()


def _capsule_files(files: Files) -> Maybe[tuple[str, ...]]:
    folder = esp_folder(files)
    if isinstance(folder, Unknown):
        return folder
    for step in _CAPSULE_PATH:
        names = files.names(folder)
        if isinstance(names, Unknown):
            return names
        # FAT does not tell capital letters from small ones
        found = [name for name in names if name.casefold() == step.casefold()]
        if not found:
            return ()
        folder = f"{folder}/{found[0]}"
    capsules = files.names(folder)
    if isinstance(capsules, Unknown):
        return capsules
    return tuple(f"capsule file {name}" for name in capsules)
