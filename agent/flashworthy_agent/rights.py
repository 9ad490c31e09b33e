"""Who else may read or write the agent's own files, and what holds off its other processes.

POSIX systems have modes and `flock`. Windows has lists that files inherit from their folder: the
agent closes its folder to ordinary users when it makes it, and asks no more; modes mean nothing.
"""

import errno
import os
import stat
from pathlib import Path
from typing import IO

HAS_MODES = os.name == "posix"
_PAUSE_SECONDS = 0.05  # between two tries at a lock, where the system does not wait by itself
# For the program icacls: nothing inherited; full rights, handed down, to the system's own account
# and to administrators, by the identifiers of "Well-known SIDs", for their names are translated.
_CLOSED = ("/inheritance:r", "/grant:r", "*S-1-5-18:(OI)(CI)F", "*S-1-5-32-544:(OI)(CI)F")
_CLOSING_SECONDS = 20.0


def is_root() -> bool:
    """Whether this process may do what only an administrator may."""
    if HAS_MODES:
        return os.geteuid() == 0
    import ctypes  # late: only Windows needs it

    # "IsUserAnAdmin function (shlobj_core.h)"
    return bool(ctypes.windll.shell32.IsUserAnAdmin())  # type: ignore[attr-defined]


def others_may_read(mode: int) -> bool:
    return HAS_MODES and bool(mode & (stat.S_IRWXG | stat.S_IRWXO))


def others_may_write(mode: int) -> bool:
    return HAS_MODES and bool(mode & (stat.S_IWGRP | stat.S_IWOTH))


def is_foreign(owner: int) -> bool:
    """Whether a file's owner is neither root nor the agent's own user."""
    return HAS_MODES and owner not in (0, os.geteuid())


def close_to_others(folder: Path) -> None:
    """Where modes do not: let only the system and its administrators into a new, empty folder.

    Raises:
        PermissionError: it stayed open, and was removed again.
    """
    if HAS_MODES:
        return
    import subprocess  # late: only Windows needs it

    program = f"{os.environ.get('SYSTEMROOT', 'C:/Windows')}/System32/icacls.exe"
    command = [program, str(folder), *_CLOSED]
    done = subprocess.run(command, capture_output=True, timeout=_CLOSING_SECONDS)
    if done.returncode:
        folder.rmdir()
        raise PermissionError(errno.EACCES, "icacls cannot close it to others")


def lock(file: IO[str], *, wait: bool) -> None:
    """Hold off others who lock this file, until it is closed.

    Raises:
        BlockingIOError: somebody holds it, and `wait` is false.
    """
    if HAS_MODES:
        import fcntl  # late: Windows has none

        fcntl.flock(file, fcntl.LOCK_EX | (0 if wait else fcntl.LOCK_NB))
        return
    import time  # late: as above

    while not _locked(file):
        if not wait:
            raise BlockingIOError(f"{file.name} is locked")
        time.sleep(_PAUSE_SECONDS)


def _locked(file: IO[str]) -> bool:
    """Whether the first byte could be locked, which need not be there."""
    import msvcrt  # late: only Windows has it

    file.seek(0)
    try:
        msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined]
    except OSError:
        return False
    return True
