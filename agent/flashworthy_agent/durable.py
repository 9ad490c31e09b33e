"""Files that survive a power cut: whole or not there at all, and for their owner only."""

import os
from pathlib import Path

from flashworthy_agent.rights import HAS_MODES, close_to_others

OWNER_ONLY_FILE, OWNER_ONLY_FOLDER = 0o600, 0o700
# Windows alone would change the ends of lines
_WRITING = os.O_WRONLY | os.O_CREAT | os.O_TRUNC | getattr(os, "O_BINARY", 0)
_UNFINISHED = ".unfinished"  # end of the names of files that are still being written


def write_durably(path: Path, data: bytes) -> None:
    """Put `data` at `path`: a reader sees the old content or the new, never a part of it."""
    unfinished = path.with_name(path.name + _UNFINISHED)
    descriptor = os.open(unfinished, _WRITING, OWNER_ONLY_FILE)
    with open(descriptor, "wb") as file:
        file.write(data)
        file.flush()
        os.fsync(file.fileno())
    os.replace(unfinished, path)
    sync_folder(path.parent)


def remove_unfinished(folder: Path) -> None:
    """Clear away what a killed writer left; to be called while nobody else writes there."""
    for path in folder.glob(f"*{_UNFINISHED}"):
        path.unlink(missing_ok=True)


def sync_folder(folder: Path) -> None:
    """Make the names in `folder` survive a power cut, where a folder can be opened for that."""
    if not HAS_MODES:
        return
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def make_private_folder(folder: Path) -> None:
    """Make `folder`, and what is missing above it, for the owner only."""
    if not folder.parent.exists():
        make_private_folder(folder.parent)
    if not folder.exists():
        folder.mkdir(mode=OWNER_ONLY_FOLDER, exist_ok=True)
        close_to_others(folder)
