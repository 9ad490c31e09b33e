"""Reading files below a root, each answer a value or the reason why there is none.

- The root is ``/`` for the running system, or any folder: an offline disk, a test tree. Absolute
  symbolic links are then followed within that root, never out of it.
- Kernel files hold arbitrary bytes: what is not UTF-8 is shown as U+FFFD, never an error.
- *Permission denied* and *not there* are different reasons.
- Only regular files are opened, and of disks only the head, and only up to a limit, so that no odd
  file blocks or floods.
"""

import errno
import os
import stat
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path, PurePosixPath

from flashworthy_common.values import MAX_TEXT_CHARACTERS, Maybe, Unknown

MAX_FILE_BYTES = 1 << 20
_PIECE_BYTES = 1 << 16
_MAX_LINKS = 40  # followed for one path; what the Linux kernel allows

ANOTHER_ROOT = Unknown("only the running system can tell; this is another root")


class Files:
    """What can be read below `root`; paths are absolute, as that system sees them."""

    def __init__(self, root: Path = Path("/")) -> None:
        self._root = root
        self.is_live = root == Path("/")

    def content(self, path: str) -> Maybe[bytes]:
        """The bytes of a regular file."""
        try:
            return self._read(path)
        except OSError as error:
            return Unknown(_reason(path, error))

    def head(self, path: str, size: int) -> Maybe[bytes]:
        """The first `size` bytes, or as many as there are, of a regular file or a disk."""
        try:
            return self._read_head(path, size)
        except OSError as error:
            return Unknown(_reason(path, error))

    def text(self, path: str) -> Maybe[str]:
        """The text of a file, without the white space around it; blank is unknown."""
        content = self.content(path)
        if isinstance(content, Unknown):
            return content
        text = content.decode("utf-8", "replace").strip()
        if not text:
            return Unknown(f"blank: {path}")
        if len(text) > MAX_TEXT_CHARACTERS:
            return Unknown(f"longer than {MAX_TEXT_CHARACTERS} characters: {path}")
        return text

    def number(self, path: str) -> Maybe[int]:
        """The whole number that a file holds in decimal."""
        text = self.text(path)
        if isinstance(text, Unknown):
            return text
        try:
            return int(text)
        except ValueError:
            return Unknown(f"expected a whole number in {path}, got {text[:40]!r}")

    def names(self, folder: str) -> Maybe[tuple[str, ...]]:
        """The names in a folder, sorted."""
        try:
            return tuple(sorted(os.listdir(self._place(folder))))
        except OSError as error:
            return Unknown(_reason(folder, error))

    def is_there(self, path: str) -> bool:
        """Whether `path` certainly is there; False too where that cannot be told."""
        try:
            os.stat(self._place(path))
        except OSError:
            return False
        return True

    def is_absent(self, path: str) -> bool:
        """Whether `path` certainly is not there; False too where that cannot be told."""
        try:
            os.stat(self._place(path))
        except OSError as error:
            return isinstance(error, FileNotFoundError)
        return False

    def modified_at(self, path: str) -> Maybe[datetime]:
        try:
            return datetime.fromtimestamp(os.stat(self._place(path)).st_mtime, UTC)
        except OSError as error:
            return Unknown(_reason(path, error))

    def accessed_at(self, path: str) -> Maybe[datetime]:
        try:
            return datetime.fromtimestamp(os.stat(self._place(path)).st_atime, UTC)
        except OSError as error:
            return Unknown(_reason(path, error))

    def free_bytes(self, folder: str) -> Maybe[int]:
        """What an ordinary user may still write to the file system that holds `folder`."""
        if not self.is_live:
            return ANOTHER_ROOT
        try:
            space = os.statvfs(folder)
        except OSError as error:
            return Unknown(_reason(folder, error))
        return space.f_bavail * space.f_frsize

    def _read(self, path: str) -> bytes:
        content = self._opened_and_read(path, MAX_FILE_BYTES + 1, stat.S_ISREG)
        if len(content) > MAX_FILE_BYTES:
            raise OSError(errno.EFBIG, f"larger than {MAX_FILE_BYTES} bytes")
        return content

    def _read_head(self, path: str, size: int) -> bytes:
        return self._opened_and_read(
            path, size, lambda mode: stat.S_ISREG(mode) or stat.S_ISBLK(mode)
        )

    def _opened_and_read(self, path: str, most: int, is_of_kind: Callable[[int], bool]) -> bytes:
        """At most so many bytes; of many small files, so without the layers of file objects."""
        # O_NONBLOCK: opening a pipe by mistake must not wait for its other end
        descriptor = os.open(self._place(path), os.O_RDONLY | os.O_NONBLOCK | os.O_NOCTTY)
        try:
            if not is_of_kind(os.fstat(descriptor).st_mode):
                raise OSError(errno.EINVAL, "not a regular file")
            content = b""
            while piece := os.read(descriptor, min(_PIECE_BYTES, most - len(content))):
                content += piece
            return content
        finally:
            os.close(descriptor)

    def _place(self, path: str) -> Path | str:
        """Where `path` lies for this process: as if the root were the root of all files."""
        if self.is_live:
            return path
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


def _reason(path: str, error: OSError) -> str:
    if isinstance(error, FileNotFoundError):
        return f"not there: {path}"
    if isinstance(error, PermissionError):
        return f"permission denied: {path}; run as root"
    if error.errno in (errno.ENODEV, errno.ENXIO):
        return f"the device went away: {path}"
    return f"cannot be read: {path}: {error.strerror}"
