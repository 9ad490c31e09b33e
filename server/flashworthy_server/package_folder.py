"""The folder of kept packages: one file for each content, named by its SHA-256.

- A file is written under another name, brought to the disk, and only then given its own: there is
  never a part of one under a digest.
- Nothing is kept of what is too large, what does not fit, or what is not what its digest says.
- A file is read back through its digest before anyone gets it. It is never unpacked or run.
- Memory stays flat: everything moves in pieces.
"""

import errno
import hashlib
import os
import shutil
import tempfile
from collections.abc import Iterable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from flashworthy_server.errors import (
    DamagedPackageError,
    DigestError,
    FileError,
    NoSpaceError,
    TooLargeError,
)

PIECE_BYTES = 256 * 1024
ALGORITHMS = {"sha-256": "sha256", "sha-512": "sha512", "sha-1": "sha1", "md5": "md5"}

_INCOMING = "incoming"
_FULL = frozenset({errno.ENOSPC, errno.EDQUOT, errno.EFBIG})


@dataclass(frozen=True, slots=True)
class Digest:
    """A digest as someone states it: of a known algorithm, in hex."""

    algorithm: str  # a key of `ALGORITHMS`
    hex: str

    def __str__(self) -> str:
        return f"{self.algorithm}:{self.hex}"


@dataclass(frozen=True, slots=True)
class Limits:
    package_bytes: int  # of one package
    spare_bytes: int  # that stay free on the disk


@dataclass(frozen=True, slots=True)
class Written:
    sha256: str
    size_bytes: int
    is_new: bool  # false: the same content was here already


class PackageFolder:
    """The files below one folder, which is made when the first is kept."""

    def __init__(self, path: Path) -> None:
        self.path = path

    def place_of(self, sha256: str) -> Path:
        return self.path / sha256[:2] / sha256

    def write(
        self,
        pieces: Iterable[bytes],
        limits: Limits,
        *,
        expected_bytes: int | None = None,
        digests: Iterable[Digest] = (),
    ) -> Written:
        """Keep a content.

        Args:
            pieces: of the content, each of any size.
            expected_bytes: how much will come; none: unknown.
            digests: that the content must have.

        Raises:
            TooLargeError: it is over the limit.
            NoSpaceError: it does not fit on the disk.
            DigestError: it has another digest.
            FileError: the folder cannot be used.
        """
        self._require_room(expected_bytes or 0, limits)
        with self._incoming() as (file, name):
            measured = _Measured(digests)
            for piece in pieces:
                measured.add(piece)
                if measured.size_bytes > limits.package_bytes:
                    raise _too_large(limits)
                _written(file, piece)
            measured.require_stated()
            _brought_to_disk(file)
            return self._named(name, measured)

    def intact(self, sha256: str) -> BinaryIO:
        """The open file of a content, found intact.

        Raises:
            DamagedPackageError: it is missing, or no longer what it was.
        """
        try:
            file = self.place_of(sha256).open("rb")
        except OSError as error:
            raise DamagedPackageError(f"the file cannot be read: {error.strerror}") from error
        try:
            found = hashlib.sha256()
            for piece in pieces_of(file):
                found.update(piece)
        except OSError as error:
            file.close()
            raise DamagedPackageError(f"the file cannot be read: {error.strerror}") from error
        if found.hexdigest() != sha256:
            file.close()
            raise DamagedPackageError(f"the file's SHA-256 is {found.hexdigest()} now")
        file.seek(0)
        return file

    def remove(self, sha256: str) -> None:
        self.place_of(sha256).unlink(missing_ok=True)

    def unknown_files(self, known: Iterable[str]) -> list[Path]:
        """Files that are none of the known contents, such as what a crash left behind."""
        kept = {self.place_of(sha256) for sha256 in known}
        found = (path for path in self.path.rglob("*") if path.is_file())
        return sorted(path for path in found if path not in kept)

    def _require_room(self, expected_bytes: int, limits: Limits) -> None:
        if expected_bytes > limits.package_bytes:
            raise _too_large(limits)
        with _usable(self.path):
            (self.path / _INCOMING).mkdir(mode=0o700, parents=True, exist_ok=True)
            free = shutil.disk_usage(self.path).free
        if free < expected_bytes + limits.spare_bytes:
            raise NoSpaceError(
                f"expected {expected_bytes + limits.spare_bytes} bytes free in {self.path},"
                f" {limits.spare_bytes} of them to spare; got {free}"
            )

    @contextmanager
    def _incoming(self) -> Iterator[tuple[BinaryIO, Path]]:
        """A file to write to; it is gone afterwards unless it was given another name."""
        with _usable(self.path):
            number, text = tempfile.mkstemp(dir=self.path / _INCOMING)
        name = Path(text)
        try:
            with os.fdopen(number, "wb", buffering=0) as file:
                yield file, name
        finally:
            name.unlink(missing_ok=True)

    def _named(self, name: Path, measured: "_Measured") -> Written:
        place = self.place_of(measured.sha256)
        with _usable(self.path):
            place.parent.mkdir(mode=0o700, exist_ok=True)
            is_new = not place.exists()
            name.chmod(0o400)
            name.replace(place)  # also over a damaged one
            for folder in (place.parent, self.path):
                _sync_folder(folder)
        return Written(measured.sha256, measured.size_bytes, is_new)


def pieces_of(file: BinaryIO) -> Iterator[bytes]:
    while piece := file.read(PIECE_BYTES):
        yield piece


class _Measured:
    """Size and digests of what went by."""

    def __init__(self, digests: Iterable[Digest]) -> None:
        self.size_bytes = 0
        self._stated = tuple(digests)
        wanted = {"sha-256", *(each.algorithm for each in self._stated)}
        self._found = {
            name: hashlib.new(ALGORITHMS[name], usedforsecurity=False) for name in wanted
        }

    def add(self, piece: bytes) -> None:
        self.size_bytes += len(piece)
        for found in self._found.values():
            found.update(piece)

    @property
    def sha256(self) -> str:
        return self._found["sha-256"].hexdigest()

    def require_stated(self) -> None:
        if not self.size_bytes:
            raise DigestError("expected the content of a package, got nothing")
        for stated in self._stated:
            found = self._found[stated.algorithm].hexdigest()
            if found != stated.hex:
                raise DigestError(
                    f"expected a file with the digest {stated}, got one with"
                    f" {stated.algorithm}:{found}; fetch it again from its maker"
                )


def _written(file: BinaryIO, piece: bytes) -> None:
    view = memoryview(piece)
    with _full_or_failing():
        while view:
            view = view[file.write(view) :]


def _brought_to_disk(file: BinaryIO) -> None:
    with _full_or_failing():
        os.fsync(file.fileno())


@contextmanager
def _full_or_failing() -> Iterator[None]:
    try:
        yield
    except OSError as error:
        if error.errno in _FULL:
            raise NoSpaceError(f"the disk is full: {error.strerror}; nothing was kept") from error
        raise FileError(f"the package cannot be written: {error.strerror}") from error


@contextmanager
def _usable(path: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        if error.errno in _FULL:
            raise NoSpaceError(f"the disk is full: {error.strerror}; nothing was kept") from error
        raise FileError(f"cannot use the folder {path}: {error.strerror}") from error


def _sync_folder(folder: Path) -> None:
    number = os.open(folder, os.O_RDONLY)
    with suppress(OSError):  # some file systems cannot
        os.fsync(number)
    os.close(number)


def _too_large(limits: Limits) -> TooLargeError:
    return TooLargeError(f"expected a package of at most {limits.package_bytes} bytes")
