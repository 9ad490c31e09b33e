"""Whether the system disk is encrypted, and what opens it. Never key material.

- Encryption is a layer of the device mapper, which says of each device what made it; every user
  may see that. What opens the volume stands in its LUKS header, which is for root alone.
- Here nothing suspends a sealed key for some restarts: another key slot must open the volume.
- What a drive encrypts by itself cannot be seen from the system that it has let in.
"""

from collections.abc import Iterator
from typing import TYPE_CHECKING

from flashworthy_agent.probes.access import Access
from flashworthy_agent.probes.files import ANOTHER_ROOT, Files
from flashworthy_agent.probes.linux.disks import (
    all_devices,
    below,
    mapped_kind,
    mapped_name,
    node,
    system_device,
)
from flashworthy_common.report import ProtectionSection, ProtectorKind, Volume
from flashworthy_common.values import NOT_REPORTED, Maybe, Unknown

if TYPE_CHECKING:
    from flashworthy_agent.probes.linux.luks import Protectors

_ENCRYPTED = "CRYPT-"
_ONLY_CHECKED = ("CRYPT-VERITY", "CRYPT-INTEGRITY")  # layers that keep watch, but hide nothing
_LUKS = ("CRYPT-LUKS1-", "CRYPT-LUKS2-")
_MOST_LAYERS = 16
_NO_SUSPENDING = Unknown("a sealed key slot cannot be suspended on this system")


def look_at_protection(access: Access) -> ProtectionSection:
    return ProtectionSection(
        seen_at=access.now(),
        source="/proc/self/mountinfo, /sys/class/block, LUKS header",
        volumes=_volumes(access.files),
    )


def _volumes(files: Files) -> Maybe[tuple[Volume, ...]]:
    if files.is_absent("/proc/self/mountinfo"):
        return ANOTHER_ROOT
    system = system_device(files)
    if isinstance(system, Unknown):
        return system
    system_layers = list(dict.fromkeys(_deciding_layers(files, system)))
    others = [
        device
        for device in all_devices(files)
        if device not in system_layers and _is_encrypted(files, device)
    ]
    return tuple(
        _volume(files, device, is_system=device in system_layers)
        for device in (*system_layers, *others)
    )


def _deciding_layers(files: Files, device: str, depth: int = 0) -> Iterator[str]:
    """On each way down from `device`: the first encrypted layer, or else the disk at its end."""
    lower = below(files, device)
    if _is_encrypted(files, device) or not lower or depth == _MOST_LAYERS:
        yield device
        return
    for one in lower:
        yield from _deciding_layers(files, one, depth + 1)


def _is_encrypted(files: Files, device: str) -> bool:
    kind = mapped_kind(files, device)
    return kind.startswith(_ENCRYPTED) and not kind.startswith(_ONLY_CHECKED)


def _volume(files: Files, device: str, *, is_system: bool) -> Volume:
    name = mapped_name(files, device) or device
    if not _is_encrypted(files, device):
        return Volume(name=name, is_system=is_system, encrypted=False)
    found = _protectors(files, device)
    if isinstance(found, Unknown):
        return Volume(
            name=name, is_system=is_system, encrypted=True, protector=found, protector_id=found
        )
    is_sealed = found.kind in (ProtectorKind.TPM, ProtectorKind.BOTH)
    return Volume(
        name=name,
        is_system=is_system,
        encrypted=True,
        protector=found.kind,
        protector_id=found.protector_id,
        suspended_restarts=_NO_SUSPENDING if is_sealed else NOT_REPORTED,
    )


def _protectors(files: Files, device: str) -> "Maybe[Protectors]":
    if not mapped_kind(files, device).startswith(_LUKS):
        return Unknown("it is encrypted in another way than LUKS")
    holders = below(files, device)
    while holders and mapped_kind(files, holders[0]).startswith(_ONLY_CHECKED):
        holders = below(files, holders[0])
    if not holders:
        return Unknown("the kernel does not name the device below it")
    from flashworthy_agent.probes.linux import luks  # late: only for an encrypted volume

    path = node(holders[0])
    first = files.head(path, luks.FIRST_BYTES)
    if isinstance(first, Unknown):
        return first
    header = files.head(path, luks.header_bytes(first))
    return header if isinstance(header, Unknown) else luks.parse_header(header)
