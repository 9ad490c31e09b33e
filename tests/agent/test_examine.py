"""What would keep the agent from working: each trouble is found, in words, with what to do."""

import os
from dataclasses import replace
from datetime import timedelta

import pytest

from flashworthy_agent import examine as module
from flashworthy_agent.config import Config, load_settings
from flashworthy_agent.enrolment import enrol
from flashworthy_agent.examine import examine
from flashworthy_agent.probes.access import access_to
from flashworthy_agent.probes.programs import Outcome, Programs
from support.authority import Authority
from support.machines import NOW
from support.servers import serving
from support.trees import SERIAL, grow


@pytest.fixture
def site():
    with serving() as server:
        server.verdict = {}
        yield server


@pytest.fixture
def enrolled(folder, site, root, monkeypatch):
    monkeypatch.setattr(os, "geteuid", lambda: 0)
    enrol(folder, access_to(root), Config(server=site.address), "ABC")
    with folder.locked():
        return folder.change(last_run_at=NOW, next_run_at=NOW + timedelta(minutes=40))


@pytest.fixture
def ask(folder, root):
    """The findings, by question: the line, and what to do (None: nothing)."""

    def found(environment=None, programs=None):
        access = access_to(root)
        access = replace(access, programs=programs or access.programs)
        findings = examine(folder, lambda: load_settings(None, environment or {}), access, NOW)
        return {finding.question: (finding.told, finding.remedy) for finding in findings}

    return found


def test_where_all_is_well_every_question_says_so(ask, enrolled, site):
    found = ask()

    assert {question for question, (_, remedy) in found.items() if remedy} == set()
    assert list(found) == [
        "rights", "settings", "enrolment", "space", "machine", "schedule", "reports", "server",
        "clock", "token",
    ]  # fmt: skip
    assert found["server"][0] == f"{site.address} answers"
    assert site.reports() == []


def test_a_line_tells_the_remedy_below():
    assert module.Finding("clock", "fine").lines() == ["ok    clock          fine"]
    assert module.Finding("clock", "off", "set it").lines() == [
        "mend  clock          off",
        "      -> set it",
    ]


def test_a_user_is_told_what_only_root_reads(ask, enrolled, monkeypatch):
    monkeypatch.setattr(os, "geteuid", lambda: 1000)

    assert ask()["rights"][1] == "run as root: serials and the raw SMBIOS table need it"


def test_settings_that_are_not_understood_end_the_examination(ask, enrolled):
    found = ask({"FLASHWORTHY_SPOOL_MOST_REPORTS": "none"})

    assert list(found) == ["rights", "settings"]
    assert "expected a whole number from 1 to 10000, got 'none'" in found["settings"][0]


def test_an_agent_that_nobody_enrolled_is_told_how_and_whether_the_server_is_there(ask, site):
    found = ask({"FLASHWORTHY_SERVER": site.address})

    assert found["enrolment"][0].endswith(": not enrolled")
    assert found["enrolment"][1].startswith("run flashworthy-agent enrol")
    assert found["server"] == (f"{site.address} answers", None)


class Systemd(Programs):
    def __init__(self, timer):
        self.timer = timer

    def run(self, arguments, timeout_seconds):
        assert arguments == ["systemctl", "is-active", "flashworthy-agent.timer"]
        return Outcome(0 if self.timer == "active" else 3, f"{self.timer}\n", "")


@pytest.fixture
def code_file(folder):
    file = grow(folder.folder, {"enrolment-code": "ABC\n"}) / "enrolment-code"
    file.chmod(0o600)
    return file


def test_an_agent_that_will_join_by_itself_has_nothing_to_mend(ask, site, code_file):
    found = ask({"FLASHWORTHY_SERVER": site.address}, Systemd("active"))

    assert found["enrolment"] == ("not yet; a code is left for the next call of the schedule", None)
    assert found["schedule"] == (
        "the timer is active; its first call comes within ten minutes",
        None,
    )


def test_a_code_without_a_server_is_told(ask, code_file):
    assert ask()["enrolment"][1] == "set the key server: nobody says where to join"


def test_a_code_that_others_can_read_is_told(ask, site, code_file):
    code_file.chmod(0o644)

    told, remedy = ask({"FLASHWORTHY_SERVER": site.address})["enrolment"]

    assert told.endswith("expected mode 0600, since it lets machines join, got 0644")
    assert remedy == "run chmod 600 on it"


@pytest.mark.parametrize(("timer", "is_fine"), [("active", True), ("inactive", False)])
def test_before_the_first_scheduled_run_the_timer_is_asked_for(
    ask, enrolled, folder, timer, is_fine
):
    with folder.locked():
        folder.change(next_run_at=None)

    assert (ask(programs=Systemd(timer))["schedule"][1] is None) is is_fine


@pytest.mark.parametrize(
    ("platform", "asked", "name", "made_by"),
    [
        ("win32", "schtasks /query /tn flashworthy-agent", "the scheduled task flashworthy-agent",
         "install.ps1 of deploy/agent/windows"),
        ("darwin", "launchctl print system/flashworthy.agent", "the launchd job flashworthy.agent",
         "install.sh of deploy/agent/macos"),
    ],
)  # fmt: skip
def test_each_platform_has_a_caller_of_its_own(
    ask, enrolled, folder, monkeypatch, platform, asked, name, made_by
):
    class Caller(Programs):
        def __init__(self, status):
            self.status = status

        def run(self, arguments, timeout_seconds):
            assert arguments == asked.split()
            return Outcome(self.status, "", "not found")

    with folder.locked():
        folder.change(next_run_at=None)
    monkeypatch.setattr(module.sys, "platform", platform)

    there, missing = (ask(programs=Caller(status))["schedule"] for status in (0, 1))

    assert there == (f"{name} is active; its first call comes within ten minutes", None)
    assert missing[1].startswith(made_by)


def test_a_state_that_others_can_read_is_told(ask, enrolled, folder):
    (folder.folder / "state.json").chmod(0o644)

    assert "expected mode 0600" in ask()["state"][0]


def test_another_machine_is_told(ask, enrolled, root):
    grow(root, {SERIAL: "AL-0077\n"})

    told, remedy = ask()["machine"]

    assert told.startswith("this is not the machine that was enrolled: system serial is not")
    assert "enrol this machine by itself" in remedy


def test_a_schedule_that_does_not_call_is_told(ask, enrolled, folder):
    with folder.locked():
        folder.change(next_run_at=NOW - timedelta(hours=2))
    late = ask()["schedule"]
    with folder.locked():
        folder.change(next_run_at=None)

    assert late[0] == "next run due at 2026-05-04T08:00:00Z"
    assert "systemctl enable --now flashworthy-agent.timer" in late[1]
    assert ask()["schedule"] == ("no scheduled run yet", late[1])


def test_a_full_disk_is_told(ask, enrolled, monkeypatch):
    monkeypatch.setattr(module, "ENOUGH_FREE_BYTES", 1 << 62)

    assert ask()["space"][1] == "make room: reports that wait are kept there"


def test_what_was_set_aside_is_told(ask, enrolled, folder):
    grow(folder.set_aside_folder, {"000000000001_schedule_" + "0" * 36 + ".json.gz": b""})

    told, remedy = ask()["reports"]

    assert told == "0 wait, 1 set aside"
    assert "flashworthy-agent send --again" in remedy


def test_a_server_that_is_away_is_told(ask, enrolled):
    told, remedy = ask({"FLASHWORTHY_SERVER": "http://127.0.0.1:9"})["server"]

    assert told == "http://127.0.0.1:9 cannot be reached: Connection refused"
    assert remedy == "start the server, or look at the port and at firewalls"


@pytest.mark.parametrize(
    ("certificate", "remedy"),
    [
        ({"ends": timedelta(days=-1)}, "renew the server's certificate, or set this machine's"),
        ({"starts": timedelta(days=1)}, "set this machine's clock right"),
        ({"names": "DNS:elsewhere.example"}, "the certificate is for another name"),
    ],
)
def test_a_certificate_that_does_not_hold_is_told(ask, enrolled, tmp_path, certificate, remedy):
    authority = Authority(tmp_path / "authority")
    with serving(certificate=authority.vouch(**certificate)) as site:
        found = ask(
            {"FLASHWORTHY_SERVER": site.address, "FLASHWORTHY_CA_FILE": str(authority.file)}
        )

    assert found["server"][1].startswith(remedy)
    assert "token" not in found


def test_an_authority_that_nobody_trusts_is_told(ask, enrolled, tmp_path):
    authority, other = Authority(tmp_path / "one"), Authority(tmp_path / "two", "Other")
    with serving(certificate=authority.vouch()) as site:
        found = ask({"FLASHWORTHY_SERVER": site.address, "FLASHWORTHY_CA_FILE": str(other.file)})

    assert found["server"][1].startswith("name the site's own authority with the key ca_file")


def test_a_name_that_nobody_knows_is_told(ask, enrolled):
    # RFC 2606 §2: .invalid is no name
    _, remedy = ask({"FLASHWORTHY_SERVER": "https://flash.invalid"})["server"]

    assert remedy == "look at the server's name, and at this machine's name servers"


def test_a_clock_that_is_off_is_told(ask, enrolled, site):
    site.date = "Sun, 06 Nov 1994 08:49:37 GMT"

    told, remedy = ask()["clock"]

    assert told.endswith("s ahead of the server's")
    assert remedy == "set this machine's clock right"


def test_a_refused_token_is_told(ask, enrolled, site):
    site.token = "another"

    told, remedy = ask()["token"]

    assert told.endswith("the token is unknown or revoked")
    assert remedy == "enrol this machine again with a new code"
