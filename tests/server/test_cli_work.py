"""What people say at the terminal: confirmations, flashes, limits, entries, what rests."""

import json

import pytest
from click.testing import CliRunner

from flashworthy_server.cli import main
from support.machines import SEALED_VOLUME
from support.site import KNOWLEDGE, RELEASE


@pytest.fixture
def run(url, clock, tmp_path, monkeypatch, site):
    """Run a command on the site of one machine that should be updated; its exit code and output."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("LOGNAME", "ida")
    monkeypatch.delenv("SUDO_USER", raising=False)
    site.post("/releases/import", KNOWLEDGE)
    site.machine(1, protection={"volumes": (SEALED_VOLUME,)})

    def run(*words):
        environment = {"FLASHWORTHY_DATABASE": url}
        result = CliRunner().invoke(main, words, env=environment, obj=clock)
        return result.exit_code, result.output

    return run


def test_a_confirmation_is_made_listed_and_taken_back(run):
    made = run("confirmations", "add", "desk-001", "recovery-key")
    listed = run("confirmations", "list", "desk-001")
    withdrawn = run("confirmations", "withdraw", "desk-001", "1")

    assert made == (0, "confirmation #1: recovery-key of 7f3a-11c0, by ida\n")
    assert listed == (
        0,
        """\
#    what          of         by    at                    withdrawn
---  ------------  ---------  ----  --------------------  -----------
1    recovery-key  7f3a-11c0  ida   2026-05-04T10:00:00Z  -
""",
    )
    assert withdrawn == (0, "confirmation #1 of desk-001 is withdrawn\n")


def test_a_flash_is_started_and_noted_as_done(run):
    assert run("flash", "start", "desk-001") == (
        0,
        "flash #1 of desk-001: 1.29 -> 1.34, expected back by 2026-05-04 10:25 UTC\n"
        "the verdict on the spot is hold at this moment\n",
    )
    assert run("flash", "done", "desk-001") == (
        0,
        "flash #1 of desk-001 is done by your word; its own report closes it\n",
    )
    assert run("flash", "list", "desk-001") == (
        0,
        """\
#    from    to    by    started               result    what came of it
---  ------  ----  ----  --------------------  --------  -----------------
1    1.29    1.34  ida   2026-05-04T10:00:00Z  -         -
""",
    )


def test_a_flash_that_could_not_be_done_is_given_up_with_the_reason(run):
    run("flash", "start", "desk-001")

    given_up = run("flash", "give-up", "desk-001", "--reason", "its set-up asks for a password")
    status, listed = run("flash", "list", "desk-001")
    again = run("flash", "give-up", "desk-001", "--reason", "once more")

    assert given_up == (0, "flash #1 of desk-001 is given up: its set-up asks for a password\n")
    assert (status, listed.endswith("  its set-up asks for a password\n")) == (0, True)
    assert again[0] == 1


def test_limits_are_set_for_a_place_and_taken_back(run):
    assert run("policy", "set", "charge_percent=60", "ups_rule=told", "--place", "Alder Lane") == (
        0,
        "the policy of Alder Lane is set\n",
    )
    run("policy", "set", "ups_rule=", "--place", "Alder Lane")

    assert run("policy", "versions", "--place", "Alder Lane") == (
        0,
        """\
set at                by    limits
--------------------  ----  ------------------------------------------
2026-05-04T10:00:00Z  ida   {"charge_percent": 60}
2026-05-04T10:00:00Z  ida   {"charge_percent": 60, "ups_rule": "told"}
""",
    )
    _, shown = run("policy", "show", "--place", "Alder Lane", "--json")
    (charge,) = [e for e in json.loads(shown)["limits"] if e["name"] == "charge_percent"]
    assert (charge["value"], charge["set_here"]) == (60, True)
    assert "charge_percent" in run("policy", "show")[1]


def test_what_would_change_is_told_and_not_done(run):
    told = run("policy", "set", "least_priority=immediate", "--preview")

    assert told == (
        0,
        """\
verdict now    would be    machines
-------------  ----------  ----------
prepare        leave       1
""",
    )
    assert run("policy", "versions")[1] == "nothing was set\n"


@pytest.mark.parametrize(
    ("setting", "status", "says"),
    [
        ("charge", 2, "expected LIMIT=VALUE, got 'charge'"),
        ("charge_percent=200", 1, "expected a number from 0 to 100 percent, got 200"),
        ("charge=60", 1, "expected a limit of least_priority"),
    ],
)
def test_a_limit_that_cannot_be_is_one_plain_line(run, setting, status, says):
    exit_code, output = run("policy", "set", setting)

    assert exit_code == status
    assert says in output


def test_a_machine_without_an_agent_is_entered(run):
    said = ("--maker", "Quillmark", "--model", "Folio 14", "--runs", "1.29", "--kind", "portable")

    assert run("machine", "enter", "cellar-pc", *said, "--mains", "--battery-percent", "80") == (
        0,
        "cellar-pc is entered as machine #2\n",
    )
    assert run("verdict", "cellar-pc")[1].startswith("PREPARE   cellar-pc")


def test_what_asks_for_attention_rests_until_a_day(run):
    rest = ("attention", "rest", "desk-001", "priority")

    assert run(*rest, "--until", "2026-05-08", "--reason", "the visit is on Friday") == (
        0,
        "priority of desk-001 rests until 2026-05-08\n",
    )
    assert run("machines", "--attention", "priority") == (0, "no such machine\n")
    assert run("attention", "ask-again", "desk-001", "priority") == (
        0,
        "priority of desk-001 asks for attention again\n",
    )
    assert "desk-001" in run("machines", "--attention", "priority")[1]


def test_numbers_that_are_wrong_are_told_and_mended_at_the_terminal(run, site):
    with site.site.database.writing() as connection:
        connection.exec_driver_sql("UPDATE summary SET count = 3 WHERE facet = 'machines'")

    told, mended, right = run("recount"), run("recount", "--mend"), run("recount")

    wrong = "machines '' is 2 too high\n"
    assert told == (1, f"{wrong}1 are wrong; see --mend\n")
    assert mended == (0, f"{wrong}1 were wrong, and are right now\n")
    assert right == (0, "every kept number is that of a recount\n")


def test_the_terminal_says_how_far_judging_is_and_does_what_is_left(run, site):
    object.__setattr__(site.site.config, "reassess_batch_machines", 1)
    site.machine(2)
    run("judging", "--work")
    site.post("/releases", {**RELEASE, "version_text": "1.40"})

    under_way, overview = run("judging"), run("overview")
    worked, done = run("judging", "--work"), run("judging", "--json")

    told = (
        "what was recorded before 2026-05-04T10:00:00Z holds everywhere;"
        " 1 of 2 verdicts are judged by what came since\n"
    )
    assert under_way == (0, told)
    assert overview[0] == 0
    assert worked[1].endswith("what was recorded holds everywhere\n")
    assert json.loads(done[1]) == {"judging": None}
