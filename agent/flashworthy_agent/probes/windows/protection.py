"""Which volumes are encrypted, what opens them, and for how many restarts that is suspended.

Never key material: only the kinds of the protectors, and the ids under which a site files its
recovery keys.

- A volume that the TPM opens is sealed, whether or not a person has to add something. Its recovery
  password is no second way in by the day: it is what has to be at hand, and its id is the
  protector's id here.
- Protection that is off while protectors are there is suspended; the count says for how many
  restarts, and 0 *from memory* that it stays so until somebody switches it on.
"""

from collections.abc import Iterator
from typing import Any

from flashworthy_agent.probes.access import Access
from flashworthy_agent.probes.windows.script import (
    items_in,
    number_in,
    text_in,
    told_of,
)
from flashworthy_common.report import ProtectionSection, ProtectorKind, Volume
from flashworthy_common.values import Maybe, Unknown

# "GetKeyProtectorType method", "GetConversionStatus method", "GetProtectionStatus method"
_SEALED, _RECOVERY, _PASSPHRASE = {1, 4, 5, 6, 9}, 3, 8
_FULLY_DECRYPTED, _PROTECTED, _UNPROTECTED = 0, 1, 0
UNTIL_RESUMED = 15  # "GetSuspendCount method": the greatest count


def look_at_protection(access: Access) -> ProtectionSection:
    return ProtectionSection(
        seen_at=access.now(),
        source="Win32_EncryptableVolume",
        volumes=_volumes(access),
    )


def _volumes(access: Access) -> Maybe[tuple[Volume, ...]]:
    told = told_of(access).of("volumes")
    drive = access.environment("SystemDrive").casefold()
    if isinstance(told, Unknown):
        return told
    if not drive:
        return Unknown("the environment does not name the system's drive")
    return tuple(_volume(item, drive) for item in told)


def _volume(item: dict[str, Any], system_drive: str) -> Volume:
    letter = text_in(item, "name")
    name = "a volume without a letter" if isinstance(letter, Unknown) else letter
    is_system = name.casefold() == system_drive
    conversion = number_in(item, "conversion")
    if isinstance(conversion, Unknown) or conversion == _FULLY_DECRYPTED:
        encrypted = conversion if isinstance(conversion, Unknown) else False
        return Volume(name=name, is_system=is_system, encrypted=encrypted)
    protectors = list(_protectors(item))
    return Volume(
        name=name,
        is_system=is_system,
        encrypted=True,
        protector=_kind({kind for _, kind in protectors}),
        protector_id=_id(protectors),
        suspended_restarts=_suspended_restarts(item, has_protectors=bool(protectors)),
    )


def _protectors(item: dict[str, Any]) -> Iterator[tuple[str, int]]:
    for one in items_in(item, "protectors"):
        name, kind = text_in(one, "id"), number_in(one, "kind")
        if isinstance(name, str) and isinstance(kind, int):
            yield name.strip("{}").lower(), kind


def _kind(kinds: set[int]) -> Maybe[ProtectorKind]:
    if not kinds:
        return Unknown("it has no protector yet: its key lies open")
    if kinds & _SEALED:
        return ProtectorKind.BOTH if _PASSPHRASE in kinds else ProtectorKind.TPM
    return ProtectorKind.PASSPHRASE if _PASSPHRASE in kinds else ProtectorKind.OTHER


def _id(protectors: list[tuple[str, int]]) -> Maybe[str]:
    """Of the recovery passwords; where there is none, of whatever opens it."""
    recovery = sorted(name for name, kind in protectors if kind == _RECOVERY)
    names = recovery or sorted(name for name, _ in protectors)
    return ", ".join(names) if names else Unknown("it has no protector yet")


def _suspended_restarts(item: dict[str, Any], *, has_protectors: bool) -> Maybe[int]:
    protection = number_in(item, "protection")
    if protection == _PROTECTED:
        return 0
    if isinstance(protection, Unknown) or protection != _UNPROTECTED:
        return Unknown("Windows does not know whether its protection is on")
    if not has_protectors:
        return Unknown("there is nothing to suspend: its key lies open")
    count, code = number_in(item, "suspended"), number_in(item, "suspended_code")
    if isinstance(count, Unknown) or code != 0 or not 0 <= count <= UNTIL_RESUMED:
        return Unknown("its protection is off, and Windows does not tell for how many restarts")
    return count or UNTIL_RESUMED
