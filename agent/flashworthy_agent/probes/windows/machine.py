"""Which machine this is, what it calls itself, and whether it is a virtual one."""

from flashworthy_agent.probes.access import Access
from flashworthy_agent.probes.table_facts import VIRTUAL_BIT, VIRTUAL_DOUBT, of, virtual_name
from flashworthy_agent.probes.windows.script import told_of
from flashworthy_agent.probes.windows.smbios import fact, source, text
from flashworthy_agent.probes.windows.system import CURRENT_CONTROL, System
from flashworthy_common.report import IdentitySection, MachineSection
from flashworthy_common.values import Maybe, Unknown

# "GetComputerNameExW": the name in force; where it stands in the registry *from memory*.
NAME_IN_FORCE = rf"{CURRENT_CONTROL}\ComputerName\ActiveComputerName"


def look_at_identity(access: Access) -> IdentitySection:
    return IdentitySection(
        seen_at=access.now(),
        source=source(access),
        smbios_uuid=text(access, of("system", "uuid")),
        system_serial=text(access, of("system", "serial")),
        board_serial=text(access, of("board", "serial")),
        asset_tag=text(access, of("chassis", "asset_tag")),
        hostname=System(access.inputs).text(NAME_IN_FORCE, "ComputerName"),
        place=Unknown("no place is configured"),
    )


def look_at_machine(access: Access) -> MachineSection:
    virtual, evidence = _virtual_evidence(access)
    return MachineSection(
        seen_at=access.now(),
        source=source(access),
        maker=text(access, of("system", "maker")),
        product=text(access, of("system", "product")),
        version=text(access, of("system", "version_text")),
        sku=text(access, of("system", "sku")),
        family=text(access, of("system", "family")),
        board_maker=text(access, of("board", "maker")),
        board=text(access, of("board", "product")),
        board_version=text(access, of("board", "version_text")),
        chassis_type=fact(access, of("chassis", "type_code")),
        virtual=virtual,
        virtual_evidence=evidence,
    )


def _virtual_evidence(access: Access) -> tuple[Maybe[bool], Maybe[str]]:
    if fact(access, of("firmware", "is_virtual_machine")) is True:
        return True, VIRTUAL_BIT
    maker = text(access, of("system", "maker"))
    if name := virtual_name(maker, text(access, of("system", "product"))):
        return True, f"SMBIOS type 1: {name}"
    told = told_of(access).of("computer")
    if isinstance(told, Unknown):
        return told, told
    shown = {item.get("hypervisor") for item in told if isinstance(item.get("hypervisor"), bool)}
    if shown == {False}:
        return False, "Win32_ComputerSystem: no hypervisor is present"
    doubt = VIRTUAL_DOUBT if shown else Unknown("Windows does not tell whether a hypervisor runs")
    return doubt, doubt
