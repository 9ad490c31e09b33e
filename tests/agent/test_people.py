"""Who is logged on, and which installers run; trees of /proc after proc(5)."""

from collections import namedtuple
from datetime import UTC, datetime, timedelta

import psutil
import pytest

from flashworthy_agent.probes.access import Access
from flashworthy_agent.probes.files import ANOTHER_ROOT, Files
from flashworthy_agent.probes.linux.people import is_remote, look_at_people
from flashworthy_agent.probes.programs import NoPrograms
from flashworthy_common.report import Session
from flashworthy_common.values import Unknown
from support.trees import LiveTree, grow

NOW = datetime(2026, 5, 4, 10, 0, tzinfo=UTC)


def process(number, name, command=""):
    return {f"/proc/{number}/comm": f"{name}\n", f"/proc/{number}/cmdline": command}


def installers(root, *processes):
    for one in processes:
        grow(root, one)
    return look_at_people(Access(Files(root), NoPrograms())).installers


@pytest.mark.parametrize(
    ("processes", "names"),
    [
        ([process(1, "systemd"), process(77, "apt-get")], ("apt-get",)),
        ([process(1, "systemd"), process(77, "dpkg"), process(78, "dpkg")], ("dpkg",)),
        ([process(77, "apt"), process(78, "dpkg")], ("apt", "dpkg")),
        # 15 characters at most: proc(5), /proc/pid/comm
        ([process(77, "unattended-upgr", "/usr/bin/unattended-upgrade\0")], ("unattended-upgr",)),
        # the helper that waits for a shutdown, on every Debian with automatic updates
        (
            [
                process(
                    77,
                    "unattended-upgr",
                    "/usr/bin/python3\0/usr/share/unattended-upgrades/"
                    "unattended-upgrade-shutdown\0--wait-for-signal\0",
                )
            ],
            (),
        ),
        ([process(1, "systemd"), process(77, "adapt")], ()),
    ],
)
def test_installers_are_told_by_the_kernels_name_of_a_process(tmp_path, processes, names):
    assert installers(tmp_path, *processes) == names


@pytest.mark.parametrize(
    ("tree", "because"),
    [({}, "not there: /proc"), ({"/proc/version": "Linux"}, "/proc shows no processes")],
)
def test_no_processes_is_not_no_installers(tmp_path, tree, because):
    assert installers(tmp_path, tree) == Unknown(because)


@pytest.mark.parametrize(
    ("host", "remote"),
    [
        (None, False),
        ("", False),
        (":0", False),
        (":1", False),
        ("localhost", False),  # what psutil makes of :0
        ("tmux(4242).%0", False),
        ("192.0.2.7", True),  # RFC 5737
        ("2001:db8::7", True),  # RFC 3849
        ("desk-7.example", True),
    ],
)
def test_a_session_is_remote_when_it_names_another_host(host, remote):
    assert is_remote(host) is remote


User = namedtuple("User", "name terminal host", defaults=[""])


class Terminals(LiveTree):
    """Knows when the last key was pressed on some terminals."""

    def accessed_at(self, path):
        last_keys_at = {"/dev/tty2": NOW - timedelta(minutes=5)}
        return last_keys_at.get(path, Unknown(f"not there: {path}"))


def sessions(monkeypatch, root, *users):
    grow(root, {"/run/utmp": b""})
    monkeypatch.setattr(psutil, "users", lambda: list(users))
    return look_at_people(Access(Terminals(root), NoPrograms(), now=lambda: NOW)).sessions


def test_a_session_tells_who_from_where_and_how_long_idle(monkeypatch, tmp_path):
    users = User("mira", "tty2"), User("joost", "pts/0", "192.0.2.7"), User("mira", ":0", ":0")

    assert sessions(monkeypatch, tmp_path, *users) == (
        Session(user="mira", remote=False, idle_seconds=300),
        Session(user="joost", remote=True, idle_seconds=Unknown("not there: /dev/pts/0")),
        Session(
            user="mira",
            remote=False,
            idle_seconds=Unknown("a session without a terminal to tell by"),
        ),
    )


def test_nobody_logged_on_is_an_answer(monkeypatch, tmp_path):
    assert sessions(monkeypatch, tmp_path) == ()


def test_a_system_without_the_list_of_logons_does_not_say_nobody(monkeypatch, tmp_path):
    found = look_at_people(Access(LiveTree(tmp_path), NoPrograms()))

    assert found.sessions == Unknown(
        "not there: /run/utmp; this system keeps no list of who is logged on there"
    )


def test_sessions_are_asked_of_the_running_system_only(tmp_path):
    assert look_at_people(Access(Files(tmp_path), NoPrograms())).sessions == ANOTHER_ROOT
