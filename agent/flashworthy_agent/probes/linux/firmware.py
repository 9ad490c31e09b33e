"""The machine's own firmware: what it calls itself, and how this system was started by it."""

from flashworthy_agent.probes.access import Access
from flashworthy_agent.probes.files import Files
from flashworthy_agent.probes.linux.smbios import Smbios, of
from flashworthy_agent.probes.probe import NOT_YET
from flashworthy_common.report import BootMode, FirmwareSection
from flashworthy_common.values import Maybe, Unknown

_EFI_FOLDER = "/sys/firmware/efi"
_GLOBAL_VARIABLE = "8be4df61-93ca-11d2-aa0d-00e098032b8c"  # UEFI §3.3


def look_at_firmware(access: Access) -> FirmwareSection:
    smbios = Smbios(access.files)
    boot_mode = _boot_mode(access.files, smbios)
    return FirmwareSection(
        seen_at=access.now(),
        source=smbios.source,
        maker=smbios.text("bios_vendor", of("firmware", "vendor")),
        version_text=smbios.text("bios_version", of("firmware", "version_text")),
        date_text=smbios.text("bios_date", of("firmware", "release_date_text")),
        rom_bytes=smbios.fact(of("firmware", "rom_bytes")),
        release=smbios.text("bios_release", of("firmware", "system_release")),
        controller_release=smbios.text("ec_firmware_release", of("firmware", "controller_release")),
        flash_upgradeable=smbios.fact(of("firmware", "is_flash_upgradeable")),
        boot_mode=boot_mode,
        secure_boot=_flag_variable(access.files, boot_mode, "SecureBoot"),
        setup_mode=_flag_variable(access.files, boot_mode, "SetupMode"),
        esrt=NOT_YET,
        update_queued=NOT_YET,
    )


def _boot_mode(files: Files, smbios: Smbios) -> Maybe[BootMode]:
    """UEFI where the kernel has its folder; legacy where it lacks it but was handed SMBIOS.

    Without either, nothing tells what started the system: some are started without firmware.
    """
    if files.is_there(_EFI_FOLDER):
        return BootMode.UEFI
    return BootMode.LEGACY if smbios.nothing is None else smbios.nothing


def _flag_variable(files: Files, boot_mode: Maybe[BootMode], name: str) -> Maybe[bool]:
    """A one-byte variable: four bytes of attributes, then 1 or 0; others are reserved."""
    if isinstance(boot_mode, Unknown):
        return boot_mode
    if boot_mode is BootMode.LEGACY:
        return Unknown("the system was not started by UEFI")
    content = files.content(f"{_EFI_FOLDER}/efivars/{name}-{_GLOBAL_VARIABLE}")
    if isinstance(content, Unknown):
        return content
    if len(content) != 5 or content[4] > 1:
        return Unknown(f"expected 4 bytes and then 00 or 01 in {name}, got {content[:16].hex(' ')}")
    return bool(content[4])
