"""Files, each answer a value or the reason why there is none; over any `Inputs`.

- Kernel files hold arbitrary bytes: what is not UTF-8 is shown as U+FFFD, never an error.
- *Permission denied* and *not there* are different reasons.
"""

import errno
from datetime import UTC, datetime

from flashworthy_agent.probes.inputs import Answer, Inputs
from flashworthy_common.values import MAX_TEXT_CHARACTERS, Maybe, Unknown

ANOTHER_ROOT = Unknown("only the running system can tell; this is another root")


class Files:
    """What can be read of files; paths are absolute, as the system sees them that has them."""

    def __init__(self, inputs: Inputs) -> None:
        self._inputs = inputs

    @property
    def is_live(self) -> bool:
        return self._inputs.is_live

    def content(self, path: str) -> Maybe[bytes]:
        """The bytes of a regular file."""
        content: Maybe[bytes] = self._answer("file", path)
        return content

    def head(self, path: str, size: int) -> Maybe[bytes]:
        """The first `size` bytes, or as many as there are, of a regular file or a disk."""
        content: Maybe[bytes] = self._answer("head", path, size)
        return content

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
        names = self._answer("names", folder)
        return names if isinstance(names, Unknown) else tuple(names)

    def is_there(self, path: str) -> bool:
        """Whether `path` certainly is there; False too where that cannot be told."""
        return not isinstance(self._answer("times", path), Unknown)

    def is_absent(self, path: str) -> bool:
        """Whether `path` certainly is not there; False too where that cannot be told."""
        try:
            self._inputs.ask("times", path)
        except OSError as error:
            return isinstance(error, FileNotFoundError)
        return False

    def modified_at(self, path: str) -> Maybe[datetime]:
        times = self._answer("times", path)
        return times if isinstance(times, Unknown) else datetime.fromtimestamp(times[0], UTC)

    def accessed_at(self, path: str) -> Maybe[datetime]:
        times = self._answer("times", path)
        return times if isinstance(times, Unknown) else datetime.fromtimestamp(times[1], UTC)

    def free_bytes(self, folder: str) -> Maybe[int]:
        """What an ordinary user may still write to the file system that holds `folder`."""
        return self._answer("free bytes", folder) if self.is_live else ANOTHER_ROOT

    def _answer(self, kind: str, path: str, *more: int) -> Answer:
        try:
            return self._inputs.ask(kind, path, *more)
        except OSError as error:
            return Unknown(_reason(path, error))


def _reason(path: str, error: OSError) -> str:
    if isinstance(error, FileNotFoundError):
        return f"not there: {path}"
    if isinstance(error, PermissionError):
        return f"permission denied: {path}; run as root"
    if error.errno in (errno.ENODEV, errno.ENXIO):
        return f"the device went away: {path}"
    return f"cannot be read: {path}: {error.strerror}"
