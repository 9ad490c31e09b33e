"""The agent's own files where modes mean nothing: closed by Windows' own program, locked by a byte.

Windows is played by stand-ins of `msvcrt` and `icacls`, as the library's and the program's own
documentation have them.
"""

import subprocess
import sys
import types

import pytest

from flashworthy_agent import durable, rights
from flashworthy_agent.errors import BusyError
from flashworthy_agent.state import StateFolder


class Locks:
    """`msvcrt.locking`: raises OSError where somebody else holds the bytes."""

    LK_NBLCK = 2

    def __init__(self):
        self.held_by_others, self.asked = 0, 0

    def locking(self, descriptor, mode, count):
        assert (mode, count) == (self.LK_NBLCK, 1)
        self.asked += 1
        if self.held_by_others:
            self.held_by_others -= 1
            raise OSError(13, "Permission denied")


@pytest.fixture
def locks(monkeypatch):
    """A system without modes; what it was made to run, and who holds its locks."""
    locks = Locks()
    locks.commands, locks.status = [], 0

    def run(command, **more):
        locks.commands.append(command)
        return types.SimpleNamespace(returncode=locks.status)

    for module in (rights, durable):
        monkeypatch.setattr(module, "HAS_MODES", False)
    monkeypatch.setitem(sys.modules, "msvcrt", locks)
    monkeypatch.setitem(sys.modules, "fcntl", None)
    monkeypatch.setattr(subprocess, "run", run)
    return locks


def test_a_new_folder_is_closed_to_all_but_the_system_and_administrators(locks, tmp_path):
    folder = StateFolder(tmp_path / "agent")

    with folder.locked():
        state = folder.count_report()

    assert folder.load() == state
    ((program, path, *rest),) = locks.commands
    assert program.endswith("icacls.exe")
    assert path == str(tmp_path / "agent")
    # "Well-known SIDs": S-1-5-18 is the local system, S-1-5-32-544 the administrators
    assert rest == ["/inheritance:r", "/grant:r", "*S-1-5-18:(OI)(CI)F", "*S-1-5-32-544:(OI)(CI)F"]


def test_a_folder_that_cannot_be_closed_is_not_used(locks, tmp_path):
    locks.status = 5

    with pytest.raises(PermissionError, match="icacls cannot close it to others"):
        durable.make_private_folder(tmp_path / "agent")
    assert not (tmp_path / "agent").exists()


def test_files_that_modes_call_open_are_not_refused_there(locks, tmp_path):
    folder = StateFolder(tmp_path)
    with folder.locked():
        folder.count_report()
    (tmp_path / "state.json").chmod(0o666)

    assert folder.load().sequence == 1
    assert not rights.is_foreign(1000)


def test_whoever_waits_for_a_lock_tries_again(locks, tmp_path, monkeypatch):
    locks.held_by_others = 3
    monkeypatch.setattr(rights, "_PAUSE_SECONDS", 0)

    with StateFolder(tmp_path).locked():
        assert locks.asked == 4


def test_a_second_run_does_not_wait(locks, tmp_path):
    locks.held_by_others = 1

    with pytest.raises(BusyError), StateFolder(tmp_path).alone():
        pass
