"""The machine's own firmware. It comes with the operating system, and the report says so.

- Firmware of these machines is installed by updates of macOS, and is to be had by itself no more
  ("About firmware updates": the platform's own support pages; *from memory*). That of a virtual
  machine belongs to its host.
- A machine with an Intel processor starts by UEFI; another one by neither UEFI nor the legacy way.
- What is not fully secure still checks what it starts; only the lowest levels do not
  ("Startup security": full, reduced or medium, permissive or no security). The words are in the
  language of the system: a word that is not known here is unknown.
"""

from flashworthy_agent.probes.access import Access
from flashworthy_agent.probes.macos.answers import Item, hardware, profiled, text_in
from flashworthy_agent.probes.macos.machine import virtual_evidence
from flashworthy_common.report import BootMode, FirmwareSection
from flashworthy_common.values import Maybe, Unknown

_PROFILER = "the system profiler"
_NOT_TOLD = Unknown("macOS does not tell it")
_NO_ESRT = Unknown("this platform keeps no ESRT")
_NEITHER = Unknown("it starts neither by UEFI nor the legacy way")
_CHECKED = {"Full Security", "Reduced Security", "Medium Security"}
_UNCHECKED = {"Permissive Security", "No Security"}


def look_at_firmware(access: Access) -> FirmwareSection:
    told = hardware(access)
    return FirmwareSection(
        seen_at=access.now(),
        source="system_profiler: SPHardwareDataType, SPiBridgeDataType",
        maker=_NOT_TOLD,
        version_text=text_in(told, "boot_rom_version", _PROFILER),
        date_text=_NOT_TOLD,
        rom_bytes=_NOT_TOLD,
        release=_NOT_TOLD,
        controller_release=text_in(told, "SMC_version_system", _PROFILER),
        flash_upgradeable=_NOT_TOLD,
        boot_mode=_boot_mode(told),
        secure_boot=_secure_boot(access),
        setup_mode=_NOT_TOLD,
        esrt=_NO_ESRT,
        update_queued=_NOT_TOLD,
        comes_with_os=_comes_with_os(access, told),
    )


def _boot_mode(told: Maybe[Item]) -> Maybe[BootMode]:
    """Its own processors are named as `chip_type`, Intel's as `cpu_type`."""
    if isinstance(told, Unknown):
        return told
    if isinstance(text_in(told, "cpu_type"), str):
        return BootMode.UEFI
    return _NEITHER if isinstance(text_in(told, "chip_type"), str) else _NOT_TOLD


def _secure_boot(access: Access) -> Maybe[bool]:
    told = profiled(access, "SPiBridgeDataType")
    if isinstance(told, Unknown):
        return told
    words = {text_in(item, "ibridge_secure_boot") for item in told}
    level = next((word for word in words if isinstance(word, str)), None)
    if level is None:
        return Unknown("the system profiler tells no ibridge_secure_boot")
    if level in _CHECKED:
        return True
    return False if level in _UNCHECKED else Unknown(f"a level that is not known here: {level!r}")


def _comes_with_os(access: Access, told: Maybe[Item]) -> Maybe[bool]:
    version = text_in(told, "boot_rom_version", _PROFILER)
    if isinstance(version, Unknown):
        return version
    virtual, _ = virtual_evidence(access)
    if virtual is True:
        return Unknown("a virtual machine: its firmware belongs to its host")
    return virtual if isinstance(virtual, Unknown) else True
