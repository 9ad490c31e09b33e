"""Which volumes are encrypted so that somebody's password is needed to open them.

- Encryption by the hardware alone, whose key lies open to whoever starts the machine, counts as
  none: it asks nobody for anything, before an update or after it.
- The key is released by a password (`diskutil apfs list -plist`: FileVault), and there is nothing
  to suspend. No id there changes when the recovery key does, so that none is told.
- A disk that is not APFS is told by fdesetup, as a whole.
"""

from flashworthy_agent.probes.access import Access
from flashworthy_agent.probes.macos.answers import (
    PROGRAM_SECONDS,
    Item,
    flag_in,
    items_in,
    plist_of,
    text_in,
)
from flashworthy_common.report import ProtectionSection, ProtectorKind, Volume
from flashworthy_common.values import Maybe, Unknown

VOLUMES = ("diskutil", "apfs", "list", "-plist")  # "diskutil(8)"
SYSTEM_VOLUME = ("diskutil", "info", "-plist", "/")
STATUS = ("fdesetup", "status")  # "fdesetup(8)"
_CONTAINER_KEYS = ("APFSContainerReference", "ParentWholeDisk")  # *from memory*
_PEOPLES = {"System", "Data"}  # roles of volumes; those without any are people's too
_ON, _OFF = "FileVault is On.", "FileVault is Off."
_NO_ID = Unknown("macOS tells no id that changes with the recovery key")


def look_at_protection(access: Access) -> ProtectionSection:
    return ProtectionSection(
        seen_at=access.now(), source="diskutil apfs list; fdesetup", volumes=_volumes(access)
    )


def _volumes(access: Access) -> Maybe[tuple[Volume, ...]]:
    told = plist_of(access, VOLUMES)
    system = plist_of(access, SYSTEM_VOLUME)
    containers = items_in(told, "Containers") if isinstance(told, dict) else []
    names = _containers_of(system) if isinstance(system, dict) else set()
    if not any(text_in(each, "ContainerReference") in names for each in containers):
        return _by_status(access)
    return tuple(
        _volume(item, is_system=text_in(each, "ContainerReference") in names)
        for each in containers
        for item in items_in(each, "Volumes")
        if _holds_what_people_keep(item)
    )


def _containers_of(system: Item) -> set[Maybe[str]]:
    return {name for key in _CONTAINER_KEYS if isinstance(name := text_in(system, key), str)}


def _roles(item: Item) -> set[str]:
    roles = item.get("Roles")
    return {role for role in roles if isinstance(role, str)} if isinstance(roles, list) else set()


def _holds_what_people_keep(item: Item) -> bool:
    roles = _roles(item)
    return not roles or bool(roles & _PEOPLES)


def _volume(item: Item, *, is_system: bool) -> Volume:
    name = text_in(item, "Name")
    return _told(
        "a volume without a name" if isinstance(name, Unknown) else name,
        is_system=is_system and bool(_roles(item)),
        encrypted=flag_in(item, "FileVault", "diskutil"),
    )


def _told(name: str, *, is_system: bool, encrypted: Maybe[bool]) -> Volume:
    if encrypted is not True:
        return Volume(name=name, is_system=is_system, encrypted=encrypted)
    return Volume(
        name=name,
        is_system=is_system,
        encrypted=True,
        protector=ProtectorKind.PASSPHRASE,
        protector_id=_NO_ID,
        suspended_restarts=Unknown("there is nothing to suspend"),
    )


def _by_status(access: Access) -> Maybe[tuple[Volume, ...]]:
    said = access.programs.said(list(STATUS), PROGRAM_SECONDS)
    if isinstance(said, Unknown):
        return said
    encrypted = {_ON: True, _OFF: False}.get(said.strip().split("\n")[0].strip())
    if encrypted is None:
        return Unknown(f"expected {_ON!r} or {_OFF!r} of fdesetup, got {said[:60]!r}")
    return (_told("the system's volume", is_system=True, encrypted=encrypted),)
