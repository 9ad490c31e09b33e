"""Who is logged on, which installers run and who holds off a shutdown.

Trees of /proc after proc(5), records after utmp(5); what loginctl and busctl print was taken from
systemd 252.
"""

import os
import shutil
import struct
import subprocess
from datetime import UTC, datetime, timedelta

import pytest

from flashworthy_agent.probes.access import Access
from flashworthy_agent.probes.files import ANOTHER_ROOT
from flashworthy_agent.probes.inputs import FilesBelow
from flashworthy_agent.probes.linux.logind import parse_inhibitors, parse_sessions
from flashworthy_agent.probes.linux.own_session import own_session, terminal_named
from flashworthy_agent.probes.linux.people import is_remote, look_at_people
from flashworthy_agent.probes.linux.utmp import Logon, parse_logons, record_bytes
from flashworthy_agent.probes.programs import Outcome, Programs
from flashworthy_common.report import Session
from flashworthy_common.values import Unknown
from support.trees import LiveTree, NoPrograms, grow

NOW = datetime(2026, 5, 4, 10, 0, tzinfo=UTC)


def process(number, name, command=""):
    return {f"/proc/{number}/comm": f"{name}\n", f"/proc/{number}/cmdline": command}


def installers(root, *processes):
    for one in processes:
        grow(root, one)
    return look_at_people(Access(FilesBelow(root), NoPrograms())).installers


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
        ("", False),
        (":0", False),
        (":1", False),
        ("localhost", False),
        ("tmux(4242).%0", False),
        ("192.0.2.7", True),  # RFC 5737
        ("2001:db8::7", True),  # RFC 3849
        ("desk-7.example", True),
    ],
)
def test_a_session_is_remote_when_it_names_another_host(host, remote):
    assert is_remote(host) is remote


class Terminals(LiveTree):
    """Knows when the last key was pressed on some terminals."""

    def __init__(self, root):
        last_key_at = (NOW - timedelta(minutes=5)).timestamp()
        super().__init__(root, {("times", "/dev/tty2"): [last_key_at, last_key_at]})


def people(root, *trees, programs=None, **more):
    for tree in trees:
        grow(root, tree)
    access = Access(Terminals(root), programs or NoPrograms(), now=lambda: NOW, **more)
    return look_at_people(access)


# ---- the list of logons -----------------------------------------------------------------------


def record(user, terminal, host="", pid=77, kind=7, size=384):
    """One record of utmp(5); type 7 is a person's process."""
    fields = struct.pack("=hxxi32s4s32s256s", kind, pid, terminal.encode(), b"ts/0",
                         user.encode(), host.encode())  # fmt: skip
    return fields.ljust(size, b"\0")


def logons(*records):
    return {"/run/utmp": b"".join(records), "/proc/77/comm": "bash\n"}


def test_a_session_tells_who_from_where_and_how_long_idle(tmp_path):
    records = (record("mira", "tty2"), record("joost", "pts/0", "192.0.2.7"),
               record("mira", ":0", ":0"))  # fmt: skip

    assert people(tmp_path, logons(*records)).sessions == (
        Session(user="mira", remote=False, idle_seconds=300),
        Session(user="joost", remote=True, idle_seconds=Unknown("not there: /dev/pts/0")),
        Session(
            user="mira",
            remote=False,
            idle_seconds=Unknown("a session without a terminal to tell by"),
        ),
    )


@pytest.mark.parametrize(
    "records",
    [
        [],
        [record("reboot", "~", kind=2)],  # utmp(5): BOOT_TIME
        [record("LOGIN", "tty1", kind=6)],  # LOGIN_PROCESS: waits for somebody
        [record("mira", "pts/0", kind=8)],  # DEAD_PROCESS
        [record("mira", "pts/0", pid=4711)],  # what a crash left behind
        [record("mira", "pts/0")[:200]],  # cut short
    ],
)
def test_nobody_logged_on_is_an_answer(tmp_path, records):
    assert people(tmp_path, logons(*records)).sessions == ()


def test_records_are_wider_on_some_machines():
    content = record("mira", "tty2", size=400) + record("joost", "pts/0", "h", 78, size=400)

    assert parse_logons(content, 400) == [
        Logon("mira", "tty2", "", 77),
        Logon("joost", "pts/0", "h", 78),
    ]


@pytest.mark.skipif(shutil.which("who") is None, reason="the program who is not there")
def test_the_list_is_read_as_the_program_who_reads_it(tmp_path):
    records = (record("mira", "tty2"), record("reboot", "~", kind=2), record("x", "pts/9", kind=8),
               record("joost", "pts/0", "192.0.2.7"))  # fmt: skip
    file, size = tmp_path / "utmp", record_bytes(os.uname().machine)
    file.write_bytes(b"".join(one.ljust(size, b"\0") for one in records))

    printed = subprocess.run(["who", file], capture_output=True, text=True, check=True).stdout

    lines = [line.split() for line in printed.splitlines()]  # user, terminal, date, time, (host)
    theirs = [(line[0], line[1], "".join(line[4:]).strip("()")) for line in lines]
    ours = [(one.user, one.terminal, one.host) for one in parse_logons(file.read_bytes(), size)]
    assert ours == theirs
    assert len(ours) == 2


def test_bytes_outside_utf_8_do_not_silence_the_list():
    content = record("x", "tty2").replace(b"x", b"\xe9")

    assert parse_logons(content, 384)[0].user == "\ufffd"


def test_a_system_without_the_list_of_logons_does_not_say_nobody(tmp_path):
    assert people(tmp_path).sessions == Unknown(
        "not there: /run/utmp; this system keeps no list there of who is logged on"
    )


def test_an_offline_disk_knows_nobody(tmp_path):
    found = look_at_people(Access(FilesBelow(tmp_path), NoPrograms()))

    assert found.sessions == found.inhibitors == ANOTHER_ROOT


# ---- logind -----------------------------------------------------------------------------------

LOGIND = {
    "/run/systemd/system/x": "",
    "/run/systemd/sessions/2": "",
    "/run/systemd/sessions/2.ref": "",
}


def told(**more):
    """One session as loginctl shows it."""
    values = {"Id": "2", "Name": "mira", "TTY": "", "Remote": "no", "Type": "tty"}
    values |= {"Class": "user", "State": "active", "IdleHint": "no", "IdleSinceHint": "0"}
    return "".join(f"{name}={value}\n" for name, value in (values | more).items())


class Systemd(Programs):
    def __init__(self, sessions="", inhibitors='{"type":"a(ssssuu)","data":[[]]}', status=0):
        self.answers = {"loginctl": sessions, "busctl": inhibitors}
        self.status, self.asked = status, []

    def run(self, arguments, timeout_seconds):
        self.asked.append(arguments)
        return Outcome(self.status, self.answers[arguments[0]], "Failed to get session path\n")


def logind_sessions(root, text, *trees, **more):
    return people(root, LOGIND, *trees, programs=Systemd(text), **more).sessions


def test_logind_is_asked_about_the_sessions_that_it_has(tmp_path):
    programs = Systemd(told(TTY="tty2"))

    found = people(tmp_path, LOGIND, programs=programs)

    assert found.sessions == (Session(user="mira", remote=False, idle_seconds=300),)
    assert found.source == "logind, /proc"
    (command,) = programs.asked
    assert command[:2] == ["loginctl", "show-session"]
    assert command[-1] == "2"


NOT_IDLE = Unknown("the session says that it is not idle")
FIVE_MINUTES_AGO = int((NOW - timedelta(minutes=5)).timestamp() * 1e6)


@pytest.mark.parametrize(
    ("session", "remote", "idle_seconds"),
    [
        ({"Remote": "yes", "TTY": "pts/0"}, True, Unknown("not there: /dev/pts/0")),
        ({"Type": "wayland", "TTY": "tty2", "IdleHint": "yes", "IdleSinceHint": FIVE_MINUTES_AGO},
         False, 300),
        ({"Type": "x11", "IdleHint": "yes", "IdleSinceHint": FIVE_MINUTES_AGO}, False, 300),
        ({"Type": "x11"}, False, NOT_IDLE),
        ({"Type": "x11", "IdleHint": "yes", "IdleSinceHint": "soon"}, False, NOT_IDLE),
    ],
)  # fmt: skip
def test_a_desktop_says_itself_since_when_it_is_idle(tmp_path, session, remote, idle_seconds):
    (found,) = logind_sessions(tmp_path, told(**session))

    assert (found.remote, found.idle_seconds) == (remote, idle_seconds)


@pytest.mark.parametrize(
    "session",
    [{"Class": "greeter"}, {"Class": "background"}, {"Class": "manager"}, {"State": "closing"},
     {"Name": ""}],
)  # fmt: skip
def test_a_session_of_no_person_is_nobody(tmp_path, session):
    assert logind_sessions(tmp_path, told(**session)) == ()


def test_sessions_are_divided_by_empty_lines():
    text = told() + "\n" + told(Id="3", Name="joost") + "\nnot=a session\n\n"

    assert [one.user for one in parse_sessions(text)] == ["mira", "joost"]


def test_where_nobody_has_a_session_nothing_is_run(tmp_path):
    programs = Systemd()

    found = people(tmp_path, {"/run/systemd/system/x": "", "/run/systemd/sessions/1.ref": ""},
                   {"/run/systemd/inhibit/1.ref": ""}, programs=programs)  # fmt: skip

    assert (found.sessions, found.inhibitors, programs.asked) == ((), (), [])


def test_a_program_that_fails_is_a_reason(tmp_path):
    found = people(tmp_path, LOGIND, programs=Systemd(status=1))

    assert found.sessions == Unknown("loginctl ended with status 1: Failed to get session path")


def test_folders_that_another_system_left_are_no_logind(tmp_path):
    found = people(tmp_path, {"/run/systemd/sessions/2": ""}, logons(record("mira", "tty2")))

    assert [one.user for one in found.sessions] == ["mira"]


# ---- who holds off a shutdown -----------------------------------------------------------------

# What systemd 252 answered with two of them.
TWO = (
    '{"type":"a(ssssuu)","data":[[["sleep","Netty","x","delay",0,40],'
    '["shutdown:sleep","Paper Mill","writing secret.doc","block",0,39]]]}'
)


def test_a_program_that_blocks_a_shutdown_is_told_without_its_reason(tmp_path):
    inhibited = {"/run/systemd/inhibit/1": ""}

    found = people(tmp_path, LOGIND, inhibited, programs=Systemd(told(), TWO))

    assert found.inhibitors == ("Paper Mill",)


@pytest.mark.parametrize(
    ("who", "expected"),
    [
        ('["shutdown","A","b","block",0,1],["shutdown","A","c","block",0,2]', ("A",)),
        ('["shutdown","A","b","block-weak",0,1]', ("A",)),
        ('["shutdown","A","b","delay",0,1]', ()),  # only for some seconds
        ('["idle:sleep","A","b","block",0,1]', ()),
        ("", ()),
    ],
)
def test_only_blocking_a_shutdown_counts(who, expected):
    assert parse_inhibitors(f'{{"type":"a(ssssuu)","data":[[{who}]]}}') == expected


@pytest.mark.parametrize(
    "text",
    ["", "[]", "{}", '{"data":[]}', '{"data":[[7]]}', '{"data":[[[]]]}', '{"data":[[[1,2,3,4]]]}'],
)
def test_an_answer_that_is_no_list_is_a_reason(text):
    assert parse_inhibitors(text).because.startswith("expected the list of ListInhibitors, got ")


def test_without_systemd_nobody_is_known_to_hold_off_a_shutdown(tmp_path):
    assert people(tmp_path).inhibitors.because.startswith("systemd does not run here")


# ---- whoever looks ----------------------------------------------------------------------------


def stat(pid, parent, terminal, name="bash"):
    """/proc/pid/stat, proc(5): number, name, state, parent, group, session, terminal, ..."""
    return {f"/proc/{pid}/stat": f"{pid} ({name}) S {parent} 7 7 {terminal} 7 4194304 0\n"}


PTS_0, PTS_3 = 136 << 8, 136 << 8 | 3
# sudo gives the agent a terminal of its own; the shell above it has another
SUDO = stat("self", 80, PTS_3) | stat(80, 79, PTS_3, "sudo") | stat(79, 1, PTS_0, "a ) b")
GROUP = {"/proc/self/cgroup": "0::/user.slice/user-1000.slice/session-2.scope\n"}


@pytest.mark.parametrize(
    ("trees", "environment", "ids", "terminals"),
    [
        ([SUDO, GROUP], {}, {"2"}, {"pts/0", "pts/3"}),
        ([stat("self", 1, 0)], {"XDG_SESSION_ID": "c4"}, {"c4"}, set()),
        ([{"/proc/self/stat": "broken", "/proc/self/cgroup": "0::/system.slice/x.service\n"}],
         {}, set(), set()),
        ([stat("self", "self", PTS_0)], {}, set(), {"pts/0"}),  # parents in a circle
        ([], {}, set(), set()),
    ],
)  # fmt: skip
def test_ones_own_session_is_known_by_group_environment_and_terminals(
    tmp_path, trees, environment, ids, terminals
):
    for tree in trees:
        grow(tmp_path, tree)

    told = {("environment", name): text for name, text in environment.items()}

    own = own_session(Access(LiveTree(tmp_path, told), NoPrograms()))

    assert (own.ids, own.terminals) == (ids, terminals)


@pytest.mark.parametrize(
    ("device", "name"),
    [
        # Documentation/admin-guide/devices.txt: 4 are terminals, from 64 serial; 136 to 143 pts
        (0, ""),
        (4 << 8 | 2, "tty2"),
        (4 << 8 | 64, "ttyS0"),
        (PTS_3, "pts/3"),
        (137 << 8 | 1, "pts/257"),
        (136 << 8 | 0x2C | 1 << 20, "pts/300"),
        (5 << 8, ""),
    ],
)
def test_a_terminal_is_named_by_its_device_number(device, name):
    assert terminal_named(device) == name


def test_a_real_terminal_is_named_as_the_system_names_it():
    leader, follower = os.openpty()
    try:
        number = os.fstat(follower).st_rdev
        assert f"/dev/{terminal_named(number)}" == os.ttyname(follower)
    finally:
        os.close(leader)
        os.close(follower)


@pytest.mark.parametrize(("on_the_spot", "users"), [(True, ["joost"]), (False, ["mira", "joost"])])
def test_on_the_spot_whoever_looks_is_left_out(tmp_path, on_the_spot, users):
    records = record("mira", "pts/0"), record("joost", "tty2")

    found = people(tmp_path, logons(*records), SUDO, on_the_spot=on_the_spot)

    assert [one.user for one in found.sessions] == users


@pytest.mark.parametrize("known_by", ["id", "terminal"])
def test_on_the_spot_logind_too_leaves_out_whoever_looks(tmp_path, known_by):
    own = {"Id": "2", "TTY": ""} if known_by == "id" else {"Id": "9", "TTY": "pts/3"}
    text = told(**own) + "\n" + told(Id="3", Name="joost", Type="x11")

    found = logind_sessions(tmp_path, text, SUDO, GROUP, on_the_spot=True)

    assert [one.user for one in found] == ["joost"]
