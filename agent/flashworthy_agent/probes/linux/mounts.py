"""What is mounted where, from ``/proc/self/mountinfo`` (proc(5))."""

import re
from typing import NamedTuple

from flashworthy_agent.probes.files import Files
from flashworthy_common.values import Maybe, Unknown

_MOUNTS = "/proc/self/mountinfo"
_ESP_PLACES = ("/boot/efi", "/efi", "/boot")
_ESCAPED = re.compile(r"\\([0-7]{3})")  # blanks and backslashes in names, in octal


class Mount(NamedTuple):
    """One file system where it is mounted."""

    point: str
    kind: str  # such as ext4
    source: str  # such as /dev/sda2; whatever its kind makes of it
    device: str  # MAJOR:MINOR; major 0: no block device of its own


def mount_at(files: Files, point: str) -> Maybe[Mount]:
    """What is mounted at exactly `point`; of several, the one that hides the others."""
    mounts = _mounts(files)
    if isinstance(mounts, Unknown):
        return mounts
    found = [mount for mount in mounts if mount.point == point]
    return found[-1] if found else Unknown(f"nothing is mounted at {point}")


def esp_folder(files: Files) -> Maybe[str]:
    """Where the EFI system partition is mounted, if at one of its usual places."""
    mounts = _mounts(files)
    if isinstance(mounts, Unknown):
        return mounts
    kinds = {mount.point: mount.kind for mount in mounts}
    for place in _ESP_PLACES:
        if kinds.get(place) == "vfat":
            return place
    return Unknown(f"no EFI system partition is mounted at {', '.join(_ESP_PLACES)}")


def _mounts(files: Files) -> Maybe[list[Mount]]:
    content = files.content(_MOUNTS)
    if isinstance(content, Unknown):
        return content
    lines = content.decode("utf-8", "surrogateescape").splitlines()
    return [mount for mount in map(_mount, lines) if mount]


def _mount(line: str) -> Mount | None:
    """Fields before ``-``: 2 device, 4 point; behind it: 0 kind, 1 source."""
    before, _, behind = line.partition(" - ")
    fields, more = before.split(" "), behind.split(" ")
    if len(fields) < 5 or len(more) < 2:
        return None
    return Mount(_unescaped(fields[4]), more[0], _unescaped(more[1]), fields[2])


def _unescaped(name: str) -> str:
    return _ESCAPED.sub(lambda match: chr(int(match[1], 8)), name)
