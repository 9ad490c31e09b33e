"""Visits and places at the terminal: the whole output, as a person reads it."""

import json

import pytest
from click.testing import CliRunner
from icalendar import Calendar

from flashworthy_server.cli import main
from flashworthy_server.services.who import Role

PLAN = ("--begins", "2026-05-05 10:00", "--ends", "2026-05-05 12:00", "--technician", "Tom Arden")


@pytest.fixture
def run(url, clock, tmp_path, monkeypatch, site):
    """Run a command at a site of two machines; its exit code and output."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("LOGNAME", "ida")
    monkeypatch.delenv("SUDO_USER", raising=False)
    site.know()
    site.person(Role.TECHNICIAN, "Tom Arden")
    site.machine(1, place="Elmford")
    site.machine(2, place="Elmford", power={"mains": False})

    def run(*words):
        environment = {"FLASHWORTHY_DATABASE": url}
        result = CliRunner().invoke(main, words, env=environment, obj=clock)
        return result.exit_code, result.output

    return run


def test_a_visit_is_planned_with_what_it_takes(run):
    code, output = run("visit", "plan", "desk-001", "desk-002", *PLAN)

    assert code == 0
    assert output.startswith(
        """\
visit #1 is planned
55 minutes with margin; the machines one after the other would take 75
machine    outcome then    now      minutes    otherwise then
---------  --------------  -------  ---------  ----------------
desk-002   prepare         prepare  40         -
desk-001   clear           clear    35         -
bring   its adapter: desk-002
bring   for the way back, the package of 1.29: desk-002, desk-001
        folio-14-1.29.cap, SHA-256 """
    )
    assert output.endswith("tell    whoever uses it: desk-002, desk-001\n")


def test_a_preview_keeps_nothing(run):
    assert run("visit", "plan", "desk-001", *PLAN, "--preview")[0] == 0
    assert run("visit", "list") == (0, "no visit is planned\n")


def test_what_cannot_be_is_one_plain_line(run):
    assert run("visit", "plan", "desk-001", *PLAN[:4], "--technician", "Ada") == (
        1,
        "flashworthy-server: technician: expected the name of somebody who may work visits,"
        " got 'Ada'\n",
    )


def test_a_visit_is_noted_listed_and_ended(run):
    run("visit", "plan", "desk-001", "desk-002", *PLAN)
    noted = run("visit", "note", "1", "desk-001", "could-not", "--reason", "no time")
    listed = run("visit", "list")
    ended = run("visit", "end", "1", "--reason", "power works")
    following = run("visit", "carry-over", "1")

    assert noted[1].splitlines()[2:] == [
        "machine    outcome    to    result     what came of it",
        "---------  ---------  ----  ---------  -----------------",
        "desk-002   prepare    1.34  waits      -",
        "desk-001   clear      1.34  could-not  no time (ida)",
    ]
    assert "Tom Arden     planned     1 waits, 1 could-not" in listed[1]
    assert "ended by ida: power works" in ended[1]
    assert following[1].startswith("visit #2    planned    Elmford\nTuesday 12 May 2026, 10:00")
    assert run("visit", "call-off", "2", "--reason", "again") == (0, "visit #2 is called off\n")


def test_a_month_and_a_record_are_printed(run):
    run("visit", "plan", "desk-001", *PLAN)
    run("visit", "note", "1", "desk-001", "could-not", "--reason", "no time")
    run("visit", "show", "1")

    month = run("visit", "month", "2026-05")
    record = json.loads(run("visit", "record", "desk-001", "--json")[1])

    assert month[1].splitlines()[:3] == [
        "visits       1",
        "minutes      45 planned, 0 taken",
        "machines     1 could-not",
    ]
    assert [each["what"] for each in record["events"]][-3:] == [
        "visit planned",
        "could not",
        "visit ended",
    ]


def test_a_visit_is_written_as_a_calendar(run, tmp_path):
    run("visit", "plan", "desk-001", *PLAN)

    assert run("visit", "calendar", "1", "visit.ics") == (0, "visit #1 is in visit.ics\n")

    (event,) = Calendar.from_ical((tmp_path / "visit.ics").read_bytes()).events
    assert event["LOCATION"] == "Elmford"


def test_rules_and_lists_say_where_machines_stand(run, tmp_path):
    (tmp_path / "rules.json").write_text('[{"place": "Kelling", "hostname": "desk-*"}]')
    (tmp_path / "list.csv").write_text("desk-001,Attic\ndesk-009,Attic\n")

    assert run("places", "set-rules", "rules.json") == (
        0,
        "no machine moves\n"
        "stays   desk-001 at Elmford, as its code says; here it is Kelling\n"
        "stays   desk-002 at Elmford, as its code says; here it is Kelling\n",
    )
    assert run("places", "rules")[1].splitlines()[-1].split() == ["Kelling", "desk-*", "-"]
    previewed = run("places", "import", "list.csv", "--preview")
    assert previewed == run("places", "import", "list.csv")
    assert previewed == (
        0,
        """\
machine    from     to
---------  -------  -----
desk-001   Elmford  Attic
unknown desk-009: no machine in service has this name, or several
""",
    )
