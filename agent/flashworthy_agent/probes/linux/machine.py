"""What the machine calls itself, and whether it is a virtual one.

Virtual is said with its evidence: the bit of SMBIOS, or a name that only virtual machines have.

- The bit says nothing when it is not set (DSP0134 §7.1.2.2).
- A processor that shows a hypervisor is not enough: a real machine shows it too when its own system
  runs above one. One that shows none is real.
"""

from flashworthy_agent.probes.access import Access
from flashworthy_agent.probes.files import Files
from flashworthy_agent.probes.linux.smbios import Smbios, smbios_of
from flashworthy_agent.probes.table_facts import VIRTUAL_BIT, VIRTUAL_DOUBT, of, virtual_name
from flashworthy_common.report import MachineSection
from flashworthy_common.values import Maybe, Unknown

_FLAG = "hypervisor"  # in the flags of x86 processors, set by what runs below the system


def look_at_machine(access: Access) -> MachineSection:
    smbios = smbios_of(access)
    evidence = _virtual_evidence(access.files, smbios)
    return MachineSection(
        seen_at=access.now(),
        source=smbios.source,
        maker=smbios.text("sys_vendor", of("system", "maker")),
        product=smbios.text("product_name", of("system", "product")),
        version=smbios.text("product_version", of("system", "version_text")),
        sku=smbios.text("product_sku", of("system", "sku")),
        family=smbios.text("product_family", of("system", "family")),
        board_maker=smbios.text("board_vendor", of("board", "maker")),
        board=smbios.text("board_name", of("board", "product")),
        board_version=smbios.text("board_version", of("board", "version_text")),
        chassis_type=smbios.number("chassis_type", of("chassis", "type_code")),
        virtual=evidence[0],
        virtual_evidence=evidence[1],
    )


def _processor_flags(files: Files) -> Maybe[frozenset[str]]:
    """The flags of the first processor; only x86 kernels list them under this name."""
    text = files.content("/proc/cpuinfo")
    if isinstance(text, Unknown):
        return text
    for line in text.decode("ascii", "replace").splitlines():
        name, _, value = line.partition(":")
        if name.strip() == "flags":
            return frozenset(value.split())
    return Unknown("/proc/cpuinfo lists no flags as an x86 processor has them")


def _virtual_evidence(files: Files, smbios: Smbios) -> tuple[Maybe[bool], Maybe[str]]:
    capabilities = files.text("/proc/xen/capabilities")
    if isinstance(capabilities, str) and "control_d" in capabilities:
        # the one system on a Xen machine that owns the hardware
        return False, "/proc/xen/capabilities: control domain"
    if smbios.fact(of("firmware", "is_virtual_machine")) is True:
        return True, VIRTUAL_BIT
    maker = smbios.text("sys_vendor", of("system", "maker"))
    if name := virtual_name(maker, smbios.text("product_name", of("system", "product"))):
        return True, f"SMBIOS type 1: {name}"
    flags = _processor_flags(files)
    if isinstance(flags, Unknown):
        return flags, flags
    if _FLAG in flags:
        return VIRTUAL_DOUBT, VIRTUAL_DOUBT
    return False, f"/proc/cpuinfo: no flag {_FLAG}"
