"""The commands, whole: what they print, how they end, and what the server then has."""

import json
import os
import re
import struct
import subprocess
import sys
import tomllib
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

import flashworthy_agent
import flashworthy_server
from flashworthy_agent.cli import main
from flashworthy_agent.commands.check import OUTCOME_STATUS
from flashworthy_common.ids import is_uuid
from flashworthy_common.present import verdict_lines
from flashworthy_common.readiness import Outcome
from flashworthy_common.values import to_json
from support.machines import NEED, NOW, a_machine, verdict_of
from support.trees import grow, supply

TOP = Path(__file__).parents[2]
TREE = {
    "/sys/class/dmi/id/bios_vendor": "Brightwater\n",
    "/sys/class/dmi/id/bios_version": "K1.29\n",
    "/sys/class/dmi/id/product_name": "Lark 14\n",
    "/sys/class/dmi/id/product_serial": "AL-0042\n",
    "/proc/sys/kernel/hostname": "reading-room-4\n",
    **supply("AC", type="Mains", online=1),
}


@pytest.fixture
def root(tmp_path):
    return grow(tmp_path / "root", TREE)


@pytest.fixture
def run(capsys, monkeypatch, root, folder):
    """Runs a command on the made-up machine: its status, output and complaints."""
    for name in [name for name in os.environ if name.startswith("FLASHWORTHY_")]:
        monkeypatch.delenv(name)

    def call(command, *arguments):
        status = main([command, "--root", str(root), "--state", str(folder.folder), *arguments])
        captured = capsys.readouterr()
        return status, captured.out, captured.err

    return call


@pytest.fixture
def enrolled(run, site):
    run("enrol", "--server", site.address, "--code", "ABC")
    return site


# ---- enrol ------------------------------------------------------------------------------------


def test_enrolling_hands_over_who_this_is_and_keeps_the_token(run, site, folder):
    answer = run("enrol", "--server", site.address + "/", "--code", "ABC", "--place", "A/ B ")

    assert answer == (0, f"enrolled at {site.address} as machine 7\n", "")
    (request,) = site.requests
    asked, state = request.data, folder.load()
    assert (asked["code"], asked["place"]) == ("ABC", "A / B")
    assert asked["agent_id"] == state.agent_id
    assert is_uuid(state.agent_id, version=4)
    assert asked["identity"]["system_serial"] == "AL-0042"
    assert asked["machine"]["product"] == "Lark 14"
    assert (state.server, state.machine_id, state.token) == (site.address, "7", "secret")


def test_a_lost_answer_to_an_enrolment_is_asked_for_with_the_same_id(run, site):
    refused = run("enrol", "--server", "http://127.0.0.1:9", "--code", "ABC")
    run("enrol", "--server", site.address, "--code", "ABC")
    run("enrol", "--server", site.address, "--code", "DEF")

    assert refused[0] == 1
    first, second = (request.data["agent_id"] for request in site.requests)
    assert first == second


def test_plain_http_to_another_machine_is_refused_before_anything_is_kept(run, folder):
    status, out, err = run("enrol", "--server", "http://flash.example", "--code", "ABC")

    assert (status, out) == (1, "")
    assert err.startswith("flashworthy-agent: expected https://, got 'http://flash.example'")
    assert folder.load() is None


@pytest.mark.parametrize("place", ["", "A //", "/ A"])
def test_a_place_is_a_path_of_names(run, place, capsys):
    with pytest.raises(SystemExit) as ended:
        run("enrol", "--server", "https://s.example", "--code", "ABC", "--place", place)

    assert ended.value.code == 2
    assert 'expected "site / building / room", got' in capsys.readouterr().err


# ---- collect ----------------------------------------------------------------------------------


def test_collecting_prints_the_report_and_sends_nothing(run):
    status, out, err = run("collect")

    report = json.loads(out)
    assert (status, err) == (0, "")
    assert (report["wire"], report["source"], report["why"]) == (1, "file", "by-hand")
    assert report["firmware"]["version_text"] == "K1.29"
    assert report["sequence"] == 1


def test_collecting_into_a_table_shows_values_and_reasons_in_plain_words(run):
    status, out, err = run("collect", "--table")

    assert (status, err) == (0, "")
    assert "\n  version                 K1.29\n" in out
    assert "\n  mains                   yes\n" in out
    assert (
        "\n  sku                     not known: not there: /sys/class/dmi/id/product_sku\n" in out
    )


def test_a_table_may_be_shown_of_a_report_that_is_written(run, tmp_path):
    file = tmp_path / "report.json"

    _, out, _ = run("collect", "--table", "--out", str(file))

    assert json.loads(file.read_bytes())["sequence"] == 1
    assert out.startswith("report ")
    assert "\nfirmware: " in out


def test_the_version_of_a_driver_can_be_asked_for(run, root):
    grow(root, {"/sys/module/net_x/version": "1.4.2\n"})

    _, out, _ = run("collect", "--look-for", "net-x")

    assert json.loads(out)["software"]["installed"] == [{"name": "net-x", "version_text": "1.4.2"}]


def test_collecting_again_counts_on(run):
    first, second = (json.loads(run("collect")[1]) for _ in range(2))

    assert (first["sequence"], second["sequence"]) == (1, 2)
    assert first["agent_id"] == second["agent_id"]
    assert first["report_id"] < second["report_id"]


def test_collecting_into_a_file_to_be_carried_by_hand(run, tmp_path):
    file = tmp_path / "stick" / "report.json"
    file.parent.mkdir()

    status, out, err = run("collect", "--out", str(file))

    report = json.loads(file.read_bytes())
    assert (status, err) == (0, "")
    assert out == f"report {report['report_id']} written to {file}\n"


def test_a_file_that_cannot_be_written_is_told(run, tmp_path):
    status, _, err = run("collect", "--out", str(tmp_path / "nowhere" / "report.json"))

    assert status == 1
    assert re.fullmatch(r"flashworthy-agent: \[Errno 2\] No such file or directory: .*\n", err)


def test_another_root_has_an_agent_id_of_its_own(root, capsys, monkeypatch):
    monkeypatch.delenv("FLASHWORTHY_STATE", raising=False)

    for _ in range(2):
        assert main(["collect", "--root", str(root)]) == 0

    first, second = re.findall(r'"agent_id": "([^"]*)"', capsys.readouterr().out)
    assert first != second


def test_collecting_works_where_nothing_can_be_kept(root, tmp_path, capsys):
    (tmp_path / "file").write_text("")

    status = main(["collect", "--root", str(root), "--state", str(tmp_path / "file" / "state")])

    captured = capsys.readouterr()
    assert status == 0
    assert json.loads(captured.out)["sequence"] == 1
    assert "this report carries an agent id of its own: " in captured.err


def test_a_report_collected_on_another_machine_is_not_the_enrolled_ones(run, enrolled, root):
    grow(root, {"/sys/class/dmi/id/product_serial": "AL-0077\n"})

    status, out, err = run("collect")

    assert (status, json.loads(out)["sequence"]) == (0, 1)
    assert json.loads(out)["agent_id"] != enrolled.requests[0].data["agent_id"]
    assert "carries an agent id of its own: this is not the machine that was enrolled" in err


# ---- run, send --------------------------------------------------------------------------------


def test_a_run_looks_keeps_and_sends(run, enrolled, folder):
    answer = run("run")

    assert answer == (0, "report 1 made, 1 sent, 0 waiting\n", "")
    (report,) = enrolled.reports()
    assert (report["source"], report["why"], report["sequence"]) == ("agent", "schedule", 1)
    assert enrolled.requests[-1].headers["Authorization"] == "Bearer secret"
    assert folder.load().last_sent_at is not None


def test_a_run_at_start_up_says_so(run, enrolled):
    run("run", "--why", "start-up")

    assert enrolled.reports()[0]["why"] == "start-up"


@pytest.mark.parametrize("command", ["run", "send", "check"])
def test_an_agent_that_nobody_knows_looks_at_nothing(run, folder, command):
    assert run(command) == (
        1,
        "",
        f"flashworthy-agent: {folder.folder}: not enrolled; "
        "run flashworthy-agent enrol --server URL --code CODE\n",
    )


def test_what_cannot_be_sent_waits_and_goes_in_order(run, enrolled):
    enrolled.refusals = {1: (503, "busy"), 2: (503, "busy")}
    first, second = run("run"), run("run")
    enrolled.refusals = {}

    third = run("send")

    assert first == (
        1,
        "report 1 made, 0 sent, 1 waiting\n",
        f"flashworthy-agent: {enrolled.address} answers 503: Refused: busy; try again later; "
        "what waits is kept\n",
    )
    assert second[1] == "report 2 made, 0 sent, 2 waiting\n"
    assert third == (0, "2 sent, 0 waiting\n", "")
    assert [report["sequence"] for report in enrolled.reports()] == [1, 1, 1, 2]


def test_a_report_tells_how_many_wait_before_it(run, enrolled):
    enrolled.refusals = {1: (503, "busy")}
    run("run")

    run("run")
    run("send")

    assert enrolled.reports()[0]["agent"]["spool_depth"] == 0
    enrolled.refusals = {}
    run("send")
    assert enrolled.reports()[-1]["agent"]["spool_depth"] == 1


def test_a_report_refused_for_good_is_set_aside_and_the_next_is_sent(run, enrolled):
    enrolled.refusals = {1: (503, "busy")}
    run("run")
    enrolled.refusals = {1: (422, "taken_at: expected a time")}

    answer = run("run")

    reason = f"{enrolled.address} answers 422: Refused: taken_at: expected a time"
    assert answer == (
        1,
        "report 2 made, 1 sent, 0 waiting\n",
        f"flashworthy-agent: report 1 is set aside: {reason}\n",
    )
    assert f"set aside     1\n              report 1: {reason}\n" in run("status")[1]


def test_a_refused_token_keeps_everything_and_says_so(run, enrolled):
    enrolled.refusals = {1: (401, "revoked"), 2: (401, "revoked")}
    run("run")

    status, out, err = run("run")

    assert (status, out) == (1, "report 2 made, 0 sent, 2 waiting\n")
    assert "enrol this machine again with a new code; what waits is kept" in err
    assert len(enrolled.reports()) == 2  # one try per run


def test_another_root_is_not_spoken_for_by_this_machines_agent(root, capsys, monkeypatch):
    monkeypatch.delenv("FLASHWORTHY_STATE", raising=False)

    status = main(["run", "--root", str(root)])

    assert status == 1
    assert capsys.readouterr().err == (
        "flashworthy-agent: with --root, name the state folder with --state: "
        f"/var/lib/flashworthy-agent belongs to this machine, not to the one below {root}\n"
    )


def test_the_environment_may_name_the_state_folder(root, folder, capsys, monkeypatch):
    monkeypatch.setenv("FLASHWORTHY_STATE", str(folder.folder))

    assert main(["run", "--root", str(root)]) == 1

    assert f"{folder.folder}: not enrolled" in capsys.readouterr().err


def test_a_state_that_others_can_read_stops_every_command(run, enrolled, folder):
    (folder.folder / "state.json").chmod(0o644)

    status, out, err = run("run")

    assert (status, out) == (1, "")
    assert "expected mode 0600, since it holds the token, got 0644" in err


def test_what_was_set_aside_is_sent_again_on_request(run, enrolled):
    enrolled.refusals = {1: (413, "too large")}
    run("run")
    enrolled.refusals = {}

    plain, again = run("send"), run("send", "--again")

    assert plain == (0, "0 sent, 0 waiting\n", "")
    assert again == (0, "1 sent, 0 waiting\n", "")
    assert "set aside     0\n" in run("status")[1]


def test_a_report_tells_how_many_are_set_aside(run, enrolled):
    enrolled.refusals = {1: (413, "too large")}

    for command in (["run"], ["run"], ["send", "--again"], ["run"]):
        run(*command)
        enrolled.refusals = {}

    sent = enrolled.reports()
    assert [one["agent"]["set_aside_reports"] for one in sent] == [0, 1, 0, 0]


@pytest.mark.parametrize("command", ["run", "send"])
def test_on_another_machine_nothing_is_sent(run, enrolled, root, command):
    enrolled.refusals = {1: (503, "busy")}
    run("run")
    grow(root, {"/sys/class/dmi/id/product_serial": "AL-0077\n"})

    status, out, err = run(command)

    assert (status, out) == (1, "")
    assert err.startswith("flashworthy-agent: this is not the machine that was enrolled: ")
    assert len(enrolled.reports()) == 1


@pytest.mark.parametrize("command", ["run", "send"])
def test_one_run_at_a_time(run, enrolled, folder, command):
    with folder.alone():
        status, out, err = run(command)

    assert (status, out) == (1, "")
    assert err == "flashworthy-agent: another run of this agent is under way; try again\n"


# ---- run --when-due ---------------------------------------------------------------------------


def test_most_calls_of_the_timer_do_nothing_and_say_nothing(run, enrolled):
    first, second = run("run", "--when-due"), run("run", "--when-due")

    assert first == (0, "1 sent, 0 waiting\n", "")
    assert second == (0, "", "")
    assert len(enrolled.reports()) == 1


def test_a_server_that_is_away_is_no_failure_of_the_schedule(run, enrolled, monkeypatch):
    monkeypatch.setattr("flashworthy_agent.commands.run.time.sleep", lambda _: None)
    enrolled.refusals = {1: (503, "busy")}

    status, out, err = run("run", "--when-due")

    assert (status, out) == (0, "0 sent, 1 waiting\n")
    assert "busy; try again later; what waits is kept" in err


@pytest.mark.parametrize("refusal", [(413, "too large"), (401, "revoked")])
def test_what_a_person_must_mend_fails_the_scheduled_run(run, enrolled, refusal):
    enrolled.refusals = {1: refusal}

    assert run("run", "--when-due")[0] == 1


def test_a_call_of_the_timer_during_another_run_is_no_failure(run, enrolled, folder):
    with folder.alone():
        answer = run("run", "--when-due")

    assert answer == (0, "another run of this agent is under way; try again\n", "")


# ---- settings ---------------------------------------------------------------------------------


@pytest.fixture
def settings_file(tmp_path):
    file = tmp_path / "agent.toml"
    file.touch(0o644)
    return file


def test_the_settings_in_force_are_shown(run, settings_file):
    settings_file.write_text("report_every_minutes = 240\n")

    status, out, err = run("config", "--config", str(settings_file))

    assert (status, err) == (0, "")
    assert f"report_every_minutes = 240\n    minutes; from: {settings_file}; " in out


def test_an_unknown_key_stops_every_command(run, settings_file):
    settings_file.write_text("plaice = 'A'\n")

    for command in ("collect", "run", "send", "check", "config"):
        assert run(command, "--config", str(settings_file)) == (
            1,
            "",
            f"flashworthy-agent: {settings_file}: no such key: 'plaice'; the nearest is 'place'\n",
        )


def test_settings_that_are_named_must_be_there(run, tmp_path):
    status, _, err = run("config", "--config", str(tmp_path / "nowhere.toml"))

    assert status == 1
    assert "nowhere.toml: expected a file with the settings, and it is not there" in err


def test_the_settings_may_name_the_server_and_a_file_the_code(run, site, settings_file, tmp_path):
    settings_file.write_text(f"server = '{site.address}'\nplace = 'A / B'\n")
    (tmp_path / "code").touch(0o600)
    (tmp_path / "code").write_text("ABC\n")

    status, out, _ = run(
        "enrol", "--config", str(settings_file), "--code-file", str(tmp_path / "code")
    )

    assert (status, out) == (0, f"enrolled at {site.address} as machine 7\n")
    assert (site.requests[0].data["code"], site.requests[0].data["place"]) == ("ABC", "A / B")


def test_two_servers_are_one_too_many(run, site, settings_file):
    settings_file.write_text("server = 'https://flash.example'\n")

    answer = run("enrol", "--config", str(settings_file), "--server", site.address, "--code", "ABC")

    assert answer == (
        1,
        "",
        f"flashworthy-agent: {settings_file} names the server https://flash.example, "
        f"--server {site.address}; change one of them\n",
    )


def test_without_a_code_nobody_is_asked(run, site):
    status, _, err = run("enrol", "--server", site.address)

    assert status == 1
    assert "no enrolment code; say --code-file FILE, or set FLASHWORTHY_CODE" in err
    assert site.requests == []


# ---- check ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("verdict", "word", "status"),
    [
        (verdict_of(), "CLEAR", 0),
        (verdict_of(a_machine(power={"mains": False})), "PREPARE", 10),
        (verdict_of(a_machine(marked="medical equipment")), "HOLD", 20),
        (verdict_of(a_machine(machine={"virtual": True})), "LEAVE", 30),
        (verdict_of(need=replace(NEED, review=None)), "UNDECIDED", 40),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_the_look_on_the_spot_ends_as_its_outcome_says(run, enrolled, verdict, word, status):
    enrolled.verdict = to_json(verdict)

    ended, out, err = run("check")

    assert (ended, err) == (status, "")
    assert out.split()[0] == word
    assert [report["why"] for report in enrolled.reports()] == ["spot"]
    assert enrolled.requests[-1].path == "/api/v1/machines/7/verdict?moment=spot"


def test_every_outcome_has_an_exit_status():
    assert {outcome.value for outcome in Outcome} == set(OUTCOME_STATUS)
    assert len(set(OUTCOME_STATUS.values())) == len(OUTCOME_STATUS)


OPEN_HERE = "open here: not known: only the running system can tell; this is another root"


def test_the_verdict_is_printed_as_the_one_presenter_words_it(run, enrolled, monkeypatch):
    monkeypatch.setattr("flashworthy_agent.commands.check.utc_now", lambda: NOW)
    verdict = verdict_of()
    enrolled.verdict = to_json(verdict)

    short, full = run("check")[1], run("check", "--all")[1]

    assert short == "\n".join([*verdict_lines(verdict, now=NOW), OPEN_HERE, ""])
    assert full == "\n".join([*verdict_lines(verdict, now=NOW, show_all=True), OPEN_HERE, ""])


def test_the_verdict_as_json_is_the_servers(run, enrolled):
    enrolled.verdict = to_json(verdict_of()) | {"sentence": "Go."}

    status, out, _ = run("check", "--json")

    assert (status, json.loads(out)) == (0, enrolled.verdict)


def test_older_reports_do_not_keep_the_look_on_the_spot_waiting(run, enrolled):
    enrolled.refusals = {1: (503, "busy")}
    run("run")
    enrolled.verdict = to_json(verdict_of())

    assert run("check")[0] == 0

    assert [report["sequence"] for report in enrolled.reports()] == [1, 2]


@pytest.mark.parametrize("refusal", [(503, "busy"), (422, "unfit"), (401, "revoked")])
def test_without_its_report_there_is_no_verdict(run, enrolled, refusal):
    enrolled.refusals = {1: refusal}
    enrolled.verdict = to_json(verdict_of())

    status, out, err = run("check")

    assert (status, out) == (1, "")
    assert refusal[1] in err
    assert [request.method for request in enrolled.requests] == ["POST", "POST"]


def test_a_verdict_that_is_not_understood_is_an_error_and_not_clear(run, enrolled):
    enrolled.verdict = {"outcome": "clear"}

    status, out, err = run("check")

    assert (status, out) == (1, "")
    assert err.startswith("flashworthy-agent: the server's verdict is not understood: ")


# ---- status -----------------------------------------------------------------------------------


def test_the_status_before_enrolling(run):
    assert run("status") == (
        0,
        "not enrolled; run flashworthy-agent enrol --server URL --code CODE\n",
        "",
    )


def test_the_status_tells_what_is_kept_and_what_waits(run, enrolled, folder):
    with folder.locked():
        state = folder.change(place="Alder Lane / ground floor", last_sent_at=NOW)

    assert run("status") == (
        0,
        f"server        {enrolled.address}\n"
        "machine       7\n"
        f"agent         {state.agent_id}\n"
        "place         Alder Lane / ground floor\n"
        "reports made  0\n"
        "waiting       0\n"
        "set aside     0\n"
        "dropped       0\n"
        "last sent     2026-05-04T10:00:00Z\n"
        "next run      not scheduled yet\n",
        "",
    )


# ---- the program itself -----------------------------------------------------------------------


def test_the_version_is_that_of_the_distribution(capsys):
    project = tomllib.loads((TOP / "pyproject.toml").read_text())["project"]

    with pytest.raises(SystemExit):
        main(["--version"])

    assert capsys.readouterr().out == f"flashworthy-agent {project['version']}\n"
    assert flashworthy_agent.__version__ == project["version"]
    assert flashworthy_server.__version__ == project["version"]  # by which it tells old agents


def ended(program, *arguments, encoding="utf-8"):
    """A fresh interpreter that calls `main` with the arguments and then runs `program`."""
    environment = {name: text for name, text in os.environ.items() if name != "FLASHWORTHY_STATE"}
    begin = "import sys; from flashworthy_agent.cli import main; main(sys.argv[1:]);"
    return subprocess.run(
        [sys.executable, "-c", begin + program, *map(str, arguments)],
        capture_output=True,
        check=True,
        env=environment | {"PYTHONIOENCODING": encoding},
    )


def imported(*names):
    return f"print(sorted({set(names)} & set(sys.modules)), file=sys.stderr)"


def test_a_whole_run_brings_nothing_of_the_servers(root, folder, enrolled):
    program = imported("marshmallow", "flask", "sqlalchemy", "flashworthy_server")

    found = ended(program, "run", "--root", root, "--state", folder.folder)

    assert (found.stdout, found.stderr) == (b"report 1 made, 1 sent, 0 waiting\n", b"[]\n")


def test_looking_without_sending_brings_neither_requests_nor_psutil(root):
    found = ended(imported("requests", "psutil"), "collect", "--root", root)

    assert found.stderr == b"[]\n"


# What a replay has no use for, by what would bring it; each takes a noticeable part of it.
NOT_FOR_A_REPLAY = (
    *("requests", "psutil", "ssl", "socket", "flashworthy_agent.transport"),  # sending
    *("flashworthy_agent.config", "flashworthy_agent.schedule", "tomllib"),  # settings
    *("flashworthy_agent.spool", "flashworthy_agent.same_machine", "gzip"),  # keeping
    *("flashworthy_agent.probes.live", "flashworthy_agent.probes.ups_server", "subprocess"),
    *("flashworthy_agent.probes.windows", "flashworthy_agent.probes.macos"),  # another system
    *("flashworthy_agent.commands.run", "flashworthy_agent.commands.enrol"),  # other commands
    *("flashworthy_agent.table", "flashworthy_agent.capturing", "flashworthy_common.readiness"),
    *("hashlib", "platform", "secrets", "shutil", "uuid"),  # dear, with a cheaper way here
)


def test_a_replay_brings_nothing_that_it_does_not_need(root, tmp_path):
    capture = tmp_path / "lark.json"
    assert main(["capture", "--root", str(root), "--out", str(capture)]) == 0

    found = ended(imported(*NOT_FOR_A_REPLAY), "collect", "--replay", capture)

    assert found.stderr == b"[]\n"


def test_a_call_that_has_nothing_to_do_brings_no_probes(root, folder, enrolled):
    options = ["--root", root, "--state", folder.folder]
    now = datetime.now(UTC)
    with folder.locked():
        folder.change(last_run_at=now, next_run_at=now + timedelta(minutes=30))

    found = ended(
        imported("requests", "flashworthy_agent.probes", "flashworthy_agent.collect"),
        *("run", "--when-due"),
        *options,
    )

    assert (found.stdout, found.stderr) == (b"", b"[]\n")


def test_the_program_ends_as_its_command_does(tmp_path):
    begin = "import sys; from flashworthy_agent.cli import program; sys.exit(program())"
    calls = ["collect", "--replay", tmp_path / "nowhere"], ["collect", "--replai"], ["--version"]

    done = [subprocess.run([sys.executable, "-c", begin, *call], capture_output=True)
            for call in calls]  # fmt: skip

    assert [one.returncode for one in done] == [1, 2, 0]
    assert done[0].stderr.startswith(b"flashworthy-agent: ")


def test_a_terminal_that_does_not_know_a_letter_is_no_failure(root, folder):
    grow(root, {"/sys/class/dmi/id/bios_vendor": "Brückenwasser\n"})
    with folder.locked():
        folder.change(place="Brückenstraße / 2")
    options = ["--root", root, "--state", folder.folder]

    report = json.loads(ended("", "collect", *options, encoding="ascii").stdout)
    status = ended("", "status", *options, encoding="ascii").stdout

    assert report["firmware"]["maker"] == "Brückenwasser"
    assert b"place         Br?ckenstra?e / 2\n" in status


# ---- which UPS --------------------------------------------------------------------------------


@pytest.mark.parametrize("by", ["option", "environment"])
def test_a_ups_is_named_by_option_or_environment(run, monkeypatch, by):
    named = ("--ups", "desk@ups.example", "--ups", "rack@ups.example:4000")
    if by == "environment":
        monkeypatch.setenv("FLASHWORTHY_UPS", "desk@ups.example  rack@ups.example:4000")

    _, out, _ = run("collect", *(named if by == "option" else ()))

    # a UPS is asked on behalf of the running system only, and this is another root
    assert json.loads(out)["power"]["ups"]["unknown"].startswith("only the running system")


def test_what_names_no_ups_ends_the_command(run):
    assert run("collect", "--ups", "desk") == (
        1,
        "",
        "flashworthy-agent: expected NAME@HOST or NAME@HOST:PORT of a UPS, got 'desk'\n",
    )


def test_on_the_spot_whoever_looks_is_not_in_the_report(run, enrolled, root):
    """The made-up list of logons has one terminal: the one that the agent is started from."""
    enrolled.verdict = to_json(verdict_of())
    logon = struct.pack("=hxxi32s4s32s256s", 7, 77, b"pts/3", b"ts/3", b"mira", b"").ljust(
        384, b"\0"
    )
    grow(root, {"/run/utmp": logon, "/proc/77/comm": "bash\n",
                "/proc/self/stat": f"78 (python) S 77 7 7 {136 << 8 | 3} 7 0\n"})  # fmt: skip

    run("run")
    run("check")

    scheduled, spot = enrolled.reports()
    assert [one["user"] for one in scheduled["people"]["sessions"]] == ["mira"]
    assert spot["people"]["sessions"] == []
