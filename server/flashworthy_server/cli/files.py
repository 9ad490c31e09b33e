"""Files that commands read."""

from pathlib import Path
from typing import Any

from flashworthy_server.documents import Document, decoded, read_csv
from flashworthy_server.documents import read_json as read_json_document
from flashworthy_server.errors import FileError, UnreadableBodyError
from flashworthy_server.wire import parse_json


def read_json(file: Path, limit_bytes: int) -> Any:
    """The content of a JSON file.

    Raises:
        FileError: it cannot be read, is too large, or is no JSON in UTF-8.
    """
    try:
        return parse_json(decoded(_read(file, limit_bytes)))
    except UnreadableBodyError as error:
        raise FileError(f"{file}: {error}") from error


def read_text(file: Path, limit_bytes: int) -> str:
    """The content of a text file.

    Raises:
        FileError: it cannot be read, is too large, or is not in UTF-8.
    """
    try:
        return decoded(_read(file, limit_bytes))
    except UnreadableBodyError as error:
        raise FileError(f"{file}: {error}") from error


def read_document(file: Path, limit_bytes: int) -> Document:
    """A document of releases: CSV where the file's name says so, JSON otherwise.

    Raises:
        FileError: it cannot be read, is too large, or is not what its name says.
    """
    try:
        text = decoded(_read(file, limit_bytes))
        return read_csv(text) if file.suffix.lower() == ".csv" else read_json_document(text)
    except UnreadableBodyError as error:
        raise FileError(f"{file}: {error}") from error


def _read(file: Path, limit_bytes: int) -> bytes:
    try:
        with file.open("rb") as opened:
            raw = opened.read(limit_bytes + 1)
    except OSError as error:
        raise FileError(f"cannot read {file}: {error.strerror}") from error
    if len(raw) > limit_bytes:
        raise FileError(f"{file}: expected at most {limit_bytes} bytes, got more")
    return raw
