"""What the agent remembers: private, whole, and never counted twice."""

import json
import os
import stat
import subprocess
import sys

import pytest

from flashworthy_agent.durable import write_durably
from flashworthy_agent.errors import StateError
from flashworthy_agent.state import StateFolder
from flashworthy_common.ids import is_uuid


@pytest.fixture
def folder(tmp_path):
    return StateFolder(tmp_path / "lib" / "flashworthy")


def change(folder, **changes):
    with folder.locked():
        return folder.change(**changes)


def count(folder):
    with folder.locked():
        return folder.count_report().sequence


def mode(path):
    return stat.S_IMODE(path.stat().st_mode)


def test_there_is_no_state_before_the_first_change(folder):
    assert folder.load() is None


def test_a_state_is_remembered(folder):
    changed = change(folder, server="https://server.example", place="A / B", token="t")

    assert folder.load() == changed
    assert is_uuid(changed.agent_id, version=4)


def test_a_change_keeps_the_rest(folder):
    first = change(folder, server="https://server.example")

    second = change(folder, token="t")

    assert (second.agent_id, second.server) == (first.agent_id, "https://server.example")


def test_folder_and_file_are_for_their_owner_only(folder):
    change(folder, token="t")

    assert mode(folder.folder) == mode(folder.folder.parent) == 0o700
    assert mode(folder.folder / "state.json") == 0o600


def test_the_token_is_not_shown_where_the_state_is(folder):
    assert "secret" not in repr(change(folder, token="secret"))


@pytest.mark.parametrize("lax", [0o640, 0o604, 0o644, 0o660, 0o666])
def test_a_state_file_that_others_can_read_is_refused(folder, lax):
    change(folder, token="t")
    file = folder.folder / "state.json"
    file.chmod(lax)

    with pytest.raises(StateError) as refused:
        folder.load()

    assert str(refused.value) == (
        f"{file}: expected mode 0600, since it holds the token, got {lax:04o}: others may have "
        "read it; run chmod 600 on it and enrol again for a new token"
    )


def test_a_folder_that_others_can_write_is_refused(folder):
    change(folder, token="t")
    folder.folder.chmod(0o777)

    with pytest.raises(StateError, match="in which only its owner can write, got mode 0777"):
        folder.load()


@pytest.mark.parametrize(
    ("content", "because"),
    [
        ("", "damaged (Expecting value"),
        ("{}", "damaged (agent_id: expected a value"),
        ("[]", "damaged (State: expected an object, got [])"),
        ('{"agent_id": "x", "sequence": "many"}', "damaged (sequence: expected a whole number"),
    ],
)
def test_a_damaged_state_is_refused_and_never_started_over(folder, content, because):
    change(folder, token="t")
    (folder.folder / "state.json").write_text(content)

    with pytest.raises(StateError) as refused:
        count(folder)

    assert because in str(refused.value)
    assert (folder.folder / "state.json").read_text() == content


def test_a_folder_that_cannot_be_made_is_a_clear_error(tmp_path):
    (tmp_path / "file").write_text("")

    with pytest.raises(StateError, match="cannot be used: Not a directory"):
        change(StateFolder(tmp_path / "file" / "state"))


def test_the_sequence_counts_up_and_survives_restarts(folder):
    numbers = [count(StateFolder(folder.folder)) for _ in range(3)]

    assert numbers == [1, 2, 3]


_COUNT = """
import sys
from pathlib import Path
from flashworthy_agent.state import StateFolder
folder = StateFolder(Path(sys.argv[1]))
for _ in range(20):
    with folder.locked():
        print(folder.count_report().sequence)
"""


def test_two_runs_at_once_never_use_a_number_twice(folder):
    command = [sys.executable, "-c", _COUNT, str(folder.folder)]
    runs = [subprocess.Popen(command, stdout=subprocess.PIPE, text=True) for _ in range(2)]

    used = [int(number) for run in runs for number in run.communicate(timeout=30)[0].split()]

    assert sorted(used) == list(range(1, 41))


def test_a_write_that_fails_leaves_the_old_state(folder, monkeypatch):
    before = change(folder, token="old")

    def full(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(StateError, match="No space left on device"):
        change(folder, token="new")

    assert folder.load() == before


def test_a_durable_write_replaces_the_whole_file(tmp_path):
    write_durably(tmp_path / "a", b"a long first content")

    write_durably(tmp_path / "a", b"short")

    assert (tmp_path / "a").read_bytes() == b"short"
    assert os.listdir(tmp_path) == ["a"]


def test_unknown_keys_of_a_newer_agent_are_passed_over(folder):
    change(folder, token="t")
    file = folder.folder / "state.json"
    file.write_text(json.dumps({**json.loads(file.read_text()), "later": 1}))

    assert folder.load().token == "t"
