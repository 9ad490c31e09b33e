"""What lies below the system's file system: the layers of block devices, as the kernel shows them.

Every device is known by the kernel's name for it, such as ``sda3`` or ``dm-0``.
"""

from flashworthy_agent.probes.files import Files
from flashworthy_agent.probes.linux.mounts import Mount, mount_at
from flashworthy_common.values import Maybe, Unknown

_BLOCK = "/sys/class/block"
_MAPPED = "/dev/mapper/"


def system_device(files: Files) -> Maybe[str]:
    """The device that the system's file system lies on."""
    mount = mount_at(files, "/")
    if isinstance(mount, Unknown):
        return mount
    name = _by_number(files, mount) or _by_source(files, mount)
    return name or Unknown(
        f"the system lies on {mount.kind} {mount.source}, which is no disk that the kernel names"
    )


def all_devices(files: Files) -> tuple[str, ...]:
    names = files.names(_BLOCK)
    return () if isinstance(names, Unknown) else names


def below(files: Files, device: str) -> tuple[str, ...]:
    """The devices that this one is made of; none for a disk or its partition."""
    names = files.names(f"{_BLOCK}/{device}/slaves")
    return () if isinstance(names, Unknown) else names


def mapped_name(files: Files, device: str) -> str:
    """The name that the device mapper gave it; empty for any other device."""
    name = files.text(f"{_BLOCK}/{device}/dm/name")
    return "" if isinstance(name, Unknown) else name


def mapped_kind(files: Files, device: str) -> str:
    """What the device mapper made it for, such as ``CRYPT-LUKS2-...``; empty for any other."""
    kind = files.text(f"{_BLOCK}/{device}/dm/uuid")
    return "" if isinstance(kind, Unknown) else kind


def node(device: str) -> str:
    """The file that stands for a device; the kernel writes a slash in a name as ``!``."""
    return f"/dev/{device.replace('!', '/')}"


def _by_number(files: Files, mount: Mount) -> str:
    described = files.content(f"/sys/dev/block/{mount.device}/uevent")
    lines = [] if isinstance(described, Unknown) else described.decode(errors="replace").split()
    names = [line[8:] for line in lines if line.startswith("DEVNAME=")]
    return names[0].replace("/", "!") if names else ""


def _by_source(files: Files, mount: Mount) -> str:
    """Of a file system with a number of its own, such as btrfs: by what was mounted."""
    named = mount.source.removeprefix(_MAPPED)
    if named != mount.source:
        devices = all_devices(files)
        return next((one for one in devices if mapped_name(files, one) == named), "")
    device = mount.source.removeprefix("/dev/").replace("/", "!")
    return device if device in all_devices(files) else ""
