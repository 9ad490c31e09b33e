"""The parts with firmware of their own, and which firmware that is. Shown, not judged.

- Drives whose medium can be taken out are left out.
- The kernel cuts the firmware version of a SATA drive to four characters; the whole one is in the
  drive's own description (VPD page 89h, SAT-3 §12.4.2) or among what udev noted.
- An adapter's firmware is told by its driver; many tell none.
- What the machine's firmware lists itself (SMBIOS type 45) is for root alone.
"""

from collections.abc import Iterator

from flashworthy_agent.probes.access import Access
from flashworthy_agent.probes.files import ANOTHER_ROOT, Files
from flashworthy_agent.probes.linux.ethtool import DriverInformation, parse_information
from flashworthy_agent.probes.linux.smbios import smbios_of
from flashworthy_agent.probes.table_facts import listed_by_firmware
from flashworthy_common.report import Component, ComponentsSection
from flashworthy_common.values import Maybe, Unknown

_BLOCK, _NET, _CLASS = "/sys/block", "/sys/class/net", "/sys/class"
_NO_WORD = Unknown("its driver tells no firmware version")


def look_at_components(access: Access) -> ComponentsSection:
    files = access.files
    return ComponentsSection(
        seen_at=access.now(),
        source="/sys, /proc/cpuinfo, SMBIOS type 45",
        items=ANOTHER_ROOT if files.is_absent(_CLASS) else tuple(_components(access)),
    )


def _components(access: Access) -> Iterator[Component]:
    files = access.files
    yield from _nvme(files)
    yield from _drives(files)
    yield from _adapters(access)
    yield from _security_chips(files)
    yield from _controllers(files)
    yield from _microcode(files)
    yield from _listed_by_firmware(access)


def _entries(files: Files, folder: str) -> tuple[str, ...]:
    """What is in a folder of the kernel, which has none where it knows no such part."""
    names = files.names(folder)
    return () if isinstance(names, Unknown) else names


def _first(files: Files, *paths: str) -> Maybe[str]:
    found = [files.text(path) for path in paths]
    return next((text for text in found if isinstance(text, str)), found[0])


def _name(text: Maybe[str], otherwise: str) -> str:
    return otherwise if isinstance(text, Unknown) else text


# ---- drives -----------------------------------------------------------------------------------


def _nvme(files: Files) -> Iterator[Component]:
    for name in _entries(files, f"{_CLASS}/nvme"):
        folder = f"{_CLASS}/nvme/{name}"
        model = _name(files.text(f"{folder}/model"), name)
        yield Component(kind="drive", name=model, version_text=files.text(f"{folder}/firmware_rev"))


def _drives(files: Files) -> Iterator[Component]:
    """Those with a SCSI, SATA or card interface; NVMe has a class of its own."""
    for name in _entries(files, _BLOCK):
        device = f"{_BLOCK}/{name}/device"
        if name.startswith("nvme") or files.number(f"{_BLOCK}/{name}/removable") == 1:
            continue
        if files.is_there(f"{device}/rev"):
            yield _scsi_drive(files, name, device)
        elif files.is_there(f"{device}/fwrev"):  # a soldered card: Documentation/mmc
            model = _name(files.text(f"{device}/name"), name)
            yield Component(kind="drive", name=model, version_text=files.text(f"{device}/fwrev"))


def _scsi_drive(files: Files, name: str, device: str) -> Component:
    model, revision = files.text(f"{device}/model"), files.text(f"{device}/rev")
    if files.text(f"{device}/vendor") != "ATA":
        return Component(kind="drive", name=_name(model, name), version_text=revision)
    page = files.content(f"{device}/vpd_pg89")
    if isinstance(page, bytes) and len(page) >= _IDENTIFY_AT + 512:
        return Component(
            kind="drive",
            name=_ata_text(page, 27, 46) or _name(model, name),
            version_text=_ata_text(page, 23, 26) or _NO_WORD,
        )
    return Component(
        kind="drive",
        name=_name(model, name),
        version_text=_noted_revision(files, name) or Unknown(
            f"the kernel shows only its first four characters: {_name(revision, 'none')}"
        ),
    )  # fmt: skip


_IDENTIFY_AT = 60  # where VPD page 89h holds what the drive answers to IDENTIFY DEVICE


def _ata_text(page: bytes, first_word: int, last_word: int) -> str:
    """Words of IDENTIFY DEVICE (ACS-4 §7.13): two characters each, the second one first."""
    octets = page[_IDENTIFY_AT + 2 * first_word : _IDENTIFY_AT + 2 * last_word + 2]
    swapped = bytearray(len(octets))
    swapped[::2], swapped[1::2] = octets[1::2], octets[::2]
    return swapped.decode("ascii", "replace").strip(" \0")


def _noted_revision(files: Files, name: str) -> str:
    """What udev noted of a drive when it found it; empty where it did not."""
    number = files.text(f"{_BLOCK}/{name}/dev")
    noted = files.content(f"/run/udev/data/b{number}")
    if isinstance(noted, Unknown):
        return ""
    lines = noted.decode("utf-8", "replace").splitlines()
    return next((line[14:] for line in lines if line.startswith("E:ID_REVISION=")), "")


# ---- the rest ---------------------------------------------------------------------------------


def _adapters(access: Access) -> Iterator[Component]:
    for name in _entries(access.files, _NET):
        if not access.files.is_there(f"{_NET}/{name}/device"):
            continue  # made by the system itself: a bridge, a tunnel
        told = _told_by_driver(access, name)
        if isinstance(told, Unknown):
            yield Component(kind="network adapter", name=name, version_text=told)
        else:
            yield Component(
                kind="network adapter",
                name=f"{name} ({told.driver})",
                version_text=told.firmware or _NO_WORD,
            )


def _told_by_driver(access: Access, name: str) -> Maybe[DriverInformation]:
    if not access.is_live:
        return ANOTHER_ROOT
    try:
        return parse_information(access.inputs.ask("network driver", name))
    except OSError as error:
        return Unknown(f"{name}: its driver does not tell: {error.strerror}")


def _security_chips(files: Files) -> Iterator[Component]:
    for name in _entries(files, f"{_CLASS}/tpm"):
        folder = f"{_CLASS}/tpm/{name}"
        major = files.text(f"{folder}/tpm_version_major")
        described = _first(files, f"{folder}/device/description", f"{folder}/description")
        standard = {"1": "1.2", "2": "2.0"}.get(_name(major, ""))
        yield Component(
            kind="TPM",
            name=f"TPM {standard}" if standard else _name(described, name),
            version_text=_old_chip_version(files, folder),
        )


def _old_chip_version(files: Files, folder: str) -> Maybe[str]:
    """The firmware of a TPM 1.2; of a 2.0 the kernel shows none."""
    capabilities = files.content(f"{folder}/caps")
    if isinstance(capabilities, bytes):
        for line in capabilities.decode("ascii", "replace").splitlines():
            label, _, value = line.partition(":")
            if label.strip() == "Firmware version" and value.strip():
                return value.strip()
    return Unknown("the kernel does not show its firmware's version")


def _controllers(files: Files) -> Iterator[Component]:
    """Controllers that manage the machine: over IPMI, or within the chipset."""
    for name in _entries(files, f"{_CLASS}/ipmi"):
        version = files.text(f"{_CLASS}/ipmi/{name}/device/bmc/firmware_revision")
        yield Component(kind="management controller", name=name, version_text=version)
    for name in _entries(files, f"{_CLASS}/mei"):
        told = files.text(f"{_CLASS}/mei/{name}/fw_ver")
        # up to three lines "PLATFORM:VERSION", the first of the running one
        version = told if isinstance(told, Unknown) else told.splitlines()[0].partition(":")[2]
        yield Component(kind="management controller", name=name, version_text=version or _NO_WORD)


def _microcode(files: Files) -> Iterator[Component]:
    content = files.content("/proc/cpuinfo")
    if isinstance(content, Unknown):
        return
    first = content.decode("utf-8", "replace").partition("\n\n")[0]
    pairs = (line.partition(":") for line in first.splitlines())
    told = {label.strip(): value.strip() for label, _, value in pairs}
    if told.get("microcode"):
        name = told.get("model name") or "processor"
        yield Component(kind="microcode", name=name, version_text=told["microcode"])


def _listed_by_firmware(access: Access) -> tuple[Component, ...]:
    smbios = smbios_of(access)
    return () if smbios.nothing else listed_by_firmware(smbios.fact(lambda table: table))
