"""The machine's own firmware: what it calls itself, and how this system was started by it."""

from flashworthy_agent.probes.access import Access
from flashworthy_agent.probes.linux import uefi
from flashworthy_agent.probes.linux.smbios import smbios_of
from flashworthy_agent.probes.table_facts import of
from flashworthy_common.report import FirmwareSection


def look_at_firmware(access: Access) -> FirmwareSection:
    smbios = smbios_of(access)
    mode = uefi.boot_mode(access.files, smbios)
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
        boot_mode=mode,
        secure_boot=uefi.flag_variable(access.files, mode, "SecureBoot"),
        setup_mode=uefi.flag_variable(access.files, mode, "SetupMode"),
        esrt=uefi.esrt(access.files, mode),
        update_queued=uefi.update_queued(access.files, mode),
    )
