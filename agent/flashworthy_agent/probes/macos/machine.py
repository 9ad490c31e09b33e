"""Which machine this is, what it calls itself, and whether it is a virtual one."""

from flashworthy_agent.probes.access import Access
from flashworthy_agent.probes.macos.answers import (
    PROGRAM_SECONDS,
    hardware,
    kernel,
    platform,
    text_in,
)
from flashworthy_common.report import IdentitySection, MachineSection
from flashworthy_common.values import Maybe, Unknown

_REGISTRY, _PROFILER = "the I/O Registry", "the system profiler"
_NOT_KEPT = Unknown("this platform keeps no such field")
HOSTNAME = ("scutil", "--get", "LocalHostName")  # scutil(8)
# What the platform's own hypervisor calls its machines; *from memory*.
_VIRTUAL_MODEL = "VirtualMac"


def look_at_identity(access: Access) -> IdentitySection:
    told = platform(access)
    name = access.programs.said(list(HOSTNAME), PROGRAM_SECONDS)
    return IdentitySection(
        seen_at=access.now(),
        source="ioreg: IOPlatformExpertDevice",
        smbios_uuid=_uuid(text_in(told, "IOPlatformUUID", _REGISTRY)),
        system_serial=text_in(told, "IOPlatformSerialNumber", _REGISTRY),
        board_serial=_NOT_KEPT,
        asset_tag=_NOT_KEPT,
        hostname=name if isinstance(name, Unknown) else name.strip() or Unknown("it has no name"),
        place=Unknown("no place is configured"),
    )


def look_at_machine(access: Access) -> MachineSection:
    told = hardware(access)
    virtual, evidence = virtual_evidence(access)
    return MachineSection(
        seen_at=access.now(),
        source="system_profiler: SPHardwareDataType; ioreg",
        maker=text_in(platform(access), "manufacturer", _REGISTRY),
        product=text_in(told, "machine_model", _PROFILER),
        version=_NOT_KEPT,
        sku=text_in(told, "model_number", _PROFILER),
        family=text_in(told, "machine_name", _PROFILER),
        board_maker=_NOT_KEPT,
        board=text_in(platform(access), "board-id", _REGISTRY),
        board_version=_NOT_KEPT,
        chassis_type=_NOT_KEPT,
        virtual=virtual,
        virtual_evidence=evidence,
    )


def _uuid(text: Maybe[str]) -> Maybe[str]:
    return text if isinstance(text, Unknown) else text.lower()


def virtual_evidence(access: Access) -> tuple[Maybe[bool], Maybe[str]]:
    """Whether this is a virtual machine, and what says so."""
    model = text_in(hardware(access), "machine_model", _PROFILER)
    if isinstance(model, str) and model.startswith(_VIRTUAL_MODEL):
        return True, f"system_profiler: {model}"
    told = kernel(access)
    guest = told if isinstance(told, Unknown) else told.get("kern.hv_vmm_present")
    if guest in ("0", "1"):
        return guest == "1", f"sysctl: kern.hv_vmm_present is {guest}"
    doubt = guest if isinstance(guest, Unknown) else Unknown("the kernel tells no hv_vmm_present")
    return doubt, doubt
