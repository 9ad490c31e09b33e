"""The parts with firmware of their own, and which firmware that is. Shown, not judged."""

from collections.abc import Iterator

from flashworthy_agent.probes.access import Access
from flashworthy_agent.probes.table_facts import listed_by_firmware
from flashworthy_agent.probes.windows.script import text_in, told_of
from flashworthy_agent.probes.windows.smbios import table_of
from flashworthy_agent.probes.windows.system import System
from flashworthy_common.report import Component, ComponentsSection
from flashworthy_common.values import Unknown

PROCESSOR_KEY = r"HARDWARE\DESCRIPTION\System\CentralProcessor\0"
# Eight bytes, of which the upper half is the revision that runs; *from memory*.
_REVISION, _REVISION_BYTES = "Update Revision", 8


def look_at_components(access: Access) -> ComponentsSection:
    return ComponentsSection(
        seen_at=access.now(),
        source="MSFT_PhysicalDisk, Win32_Tpm, registry, SMBIOS type 45",
        items=(
            *_drives(access),
            *_security_chips(access),
            *_microcode(System(access.inputs)),
            *listed_by_firmware(table_of(access)),
        ),
    )


def _drives(access: Access) -> Iterator[Component]:
    told = told_of(access).of("drives")
    if isinstance(told, Unknown):
        yield Component(kind="drive", name="all drives", version_text=told)
        return
    for item in told:
        name = text_in(item, "name")
        yield Component(
            kind="drive",
            name="drive" if isinstance(name, Unknown) else name,
            version_text=text_in(item, "firmware"),
        )


def _security_chips(access: Access) -> Iterator[Component]:
    told = told_of(access).of("tpm")
    if isinstance(told, Unknown):
        yield Component(kind="TPM", name="TPM", version_text=told)
        return
    for item in told:
        standard = text_in(item, "standard")
        version = "" if isinstance(standard, Unknown) else standard.partition(",")[0]
        yield Component(
            kind="TPM", name=f"TPM {version}".strip(), version_text=text_in(item, "firmware")
        )


def _microcode(system: System) -> Iterator[Component]:
    revision = system.octets(PROCESSOR_KEY, _REVISION)
    name = system.text(PROCESSOR_KEY, "ProcessorNameString")
    if isinstance(revision, bytes) and len(revision) == _REVISION_BYTES:
        number = int.from_bytes(revision[4:], "little")
        yield Component(
            kind="microcode",
            name="processor" if isinstance(name, Unknown) else name,
            version_text=f"{number:#x}",
        )
