"""Raw inputs: the one way in which a probe gets anything from outside itself.

A question is a kind and what it is about, such as ``("file", "/proc/uptime")``. Its answer is plain
data: bytes, text, a number, a flag, nothing, or a list of these; an `OSError` says why there is
none. So the running system can stand behind it (`flashworthy_agent.probes.live`), or files below
another root, or what was written down of another machine (`flashworthy_agent.capture`), and no
probe can tell. What an answer means is the probes' affair: what was written down of a machine tries
the very parsers that ran there.
"""

import errno
import os
import stat
from collections.abc import Callable
from pathlib import Path, PurePosixPath
from typing import Any, Protocol

from flashworthy_agent.rights import is_root

MAX_FILE_BYTES = 1 << 20
_PIECE_BYTES = 1 << 16
_MAX_LINKS = 40  # followed for one path; what the Linux kernel allows
# Opening a pipe by mistake must not wait for its other end; Windows knows neither, nor needs them.
_OPEN_FLAGS = os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_NOCTTY", 0)
_OPEN_FLAGS |= getattr(os, "O_BINARY", 0)  # and Windows alone needs this

Question = tuple[str | int, ...]  # the kind, and what it is about
Answer = Any  # bytes | str | int | float | bool | None | a list of answers


# Every kind of question, and the shape of its answer: a type, a list of one shape, or a tuple of
# shapes for a list of just these.
KINDS: dict[str, Any] = {
    "file": bytes,  # PATH: the bytes of a regular file
    "head": bytes,  # PATH, SIZE: its first bytes, or a disk's
    "names": [str],  # FOLDER: what is in it, sorted
    "times": (float, float),  # PATH: last changed, last read; seconds since 1970
    "free bytes": int,  # FOLDER: room for an ordinary user on its file system
    "has program": bool,  # NAME
    "program": (int | None, bytes, bytes),  # ARGUMENTS: status or none, output, complaint
    "environment": str | None,  # NAME
    "is root": bool,
    "architecture": str,  # of the processor, as the system names it
    "network driver": bytes,  # INTERFACE: struct ethtool_drvinfo
    "UPS": [str],  # NAME, HOST, PORT: every line that its server says
    # Windows; structures as its documentation has them, by name
    "registry value": (int, object),  # KEY, NAME below HKEY_LOCAL_MACHINE: type, value
    "registry keys": [str],  # KEY: the names of those below it
    "firmware table": bytes,  # PROVIDER, such as RSMB
    "firmware type": int,  # FIRMWARE_TYPE
    "firmware variable": bytes,  # NAME, GUID: its value
    "power status": bytes,  # SYSTEM_POWER_STATUS
    "batteries": [(bytes, bytes)],  # of each BATTERY_INFORMATION and BATTERY_STATUS
    "sessions": [(int, bytes)],  # of each WTSClientProtocolType and WTSINFOW
    "own session": int,  # of this program
    "process names": [str],
    "has mutex": bool,  # NAME
    "script": (int | None, bytes, bytes),  # NAME of a fixed one: as for a program
    "uptime": int,  # milliseconds
}


class Inputs(Protocol):
    """Whatever answers questions."""

    @property
    def is_live(self) -> bool:
        """Whether they are answered by a system that runs, not by its files alone."""

    def ask(self, kind: str, *about: str | int, **limits: float) -> Answer:
        """
        Args:
            limits: ``seconds``, where a program or a server answers; no part of the question.

        Raises:
            OSError: why there is no answer.
        """


class FilesBelow:
    """The files of a system that does not run, below `root`; paths are as that system sees them.

    - Absolute symbolic links are followed within that root, never out of it.
    - Only regular files are opened, and of disks only the head, and only up to a limit, so that no
      odd file blocks or floods.
    """

    is_live = False

    def __init__(self, root: Path) -> None:
        self._root = root
        self._readers: dict[str, Callable[..., Answer]] = {
            "file": self._read,
            "head": self._read_head,
            "names": self._names,
            "times": self._times,
            "is root": is_root,  # whoever asks, for that decides what can be read
        }

    def ask(self, kind: str, *about: str | int, **limits: float) -> Answer:
        if kind not in self._readers:
            raise OSError(errno.ENOSYS, f"nothing here answers {kind}")
        return self._readers[kind](*about, **limits)

    def _read(self, path: str) -> bytes:
        content = self._opened_and_read(path, MAX_FILE_BYTES + 1, stat.S_ISREG)
        if len(content) > MAX_FILE_BYTES:
            raise OSError(errno.EFBIG, f"larger than {MAX_FILE_BYTES} bytes")
        return content

    def _read_head(self, path: str, size: int) -> bytes:
        """The first `size` bytes, or as many as there are, of a regular file or a disk."""
        return self._opened_and_read(
            path, size, lambda mode: stat.S_ISREG(mode) or stat.S_ISBLK(mode)
        )

    def _opened_and_read(self, path: str, most: int, is_of_kind: Callable[[int], bool]) -> bytes:
        """At most so many bytes; of many small files, so without the layers of file objects."""
        descriptor = os.open(self._place(path), _OPEN_FLAGS)
        try:
            if not is_of_kind(os.fstat(descriptor).st_mode):
                raise OSError(errno.EINVAL, "not a regular file")
            content = b""
            while piece := os.read(descriptor, min(_PIECE_BYTES, most - len(content))):
                content += piece
            return content
        finally:
            os.close(descriptor)

    def _names(self, folder: str) -> list[str]:
        return sorted(os.listdir(self._place(folder)))

    def _times(self, path: str) -> list[float]:
        """When it was last changed and last read, in seconds since 1970."""
        found = os.stat(self._place(path))
        return [found.st_mtime, found.st_atime]

    def _place(self, path: str) -> Path | str:
        """Where `path` lies for this process: as if the root were the root of all files."""
        steps = list(reversed(PurePosixPath(path).parts[1:]))
        place, links = self._root, 0
        while steps:
            step = steps.pop()
            if step == "..":
                place = place if place == self._root else place.parent
            elif (place / step).is_symlink():
                links += 1
                if links > _MAX_LINKS:
                    raise OSError(errno.ELOOP, os.strerror(errno.ELOOP))
                target = PurePosixPath(os.readlink(place / step))
                place = self._root if target.is_absolute() else place
                steps += reversed(target.parts[1:] if target.is_absolute() else target.parts)
            else:
                place = place / step
        return place
