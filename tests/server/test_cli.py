"""The command line: whole output, and one plain line where something is wrong."""

import json
import re
import sqlite3
from pathlib import Path

import pytest
from click.testing import CliRunner

from flashworthy_common.report import report_to_json
from flashworthy_server.cli import main
from support.machines import a_report
from support.site import KNOWLEDGE, a_sent_report, report_id


@pytest.fixture
def run(url, clock, tmp_path, monkeypatch):
    """Run a command on the test's database; its result."""
    monkeypatch.chdir(tmp_path)

    def run(*words, database=url):
        environment = {"FLASHWORTHY_DATABASE": database}
        return CliRunner().invoke(main, words, env=environment, obj=clock)

    return run


def carried(**changes):
    return report_to_json(a_report()) | {"source": "file", "why": "by-hand"} | changes


def write(name, data):
    path = Path(name)
    path.write_text(data if isinstance(data, str) else json.dumps(data), encoding="utf-8")
    return name


def test_a_database_is_made_where_the_url_says(run, tmp_path):
    result = run("migrate", database="sqlite:///here.db")

    assert (result.exit_code, result.output) == (0, "sqlite:///here.db is ready\n")
    assert (tmp_path / "here.db").exists()


def test_without_tables_a_command_says_what_to_do(run):
    result = run("machines", database="sqlite:///empty.db")

    assert result.exit_code == 1
    assert result.output == (
        "flashworthy-server: sqlite:///empty.db is not there; run: flashworthy-server migrate\n"
    )


def test_a_file_that_is_no_database_is_one_plain_line(run):
    Path("notes.db").write_text("x" * 5000, encoding="utf-8")
    Path("notes.db").chmod(0o600)

    for words in (("migrate",), ("overview",)):
        result = run(*words, database="sqlite:///notes.db")

        assert result.exit_code == 1
        assert result.output == (
            "flashworthy-server: cannot use sqlite:///notes.db: file is not a database\n"
        )


@pytest.mark.sqlite
def test_a_database_that_fails_later_is_one_plain_line(run, url):
    with sqlite3.connect(url.removeprefix("sqlite:///")) as database:
        database.execute("DROP TABLE summary")
    database.close()

    result = run("overview")

    assert (result.exit_code, result.output) == (
        1,
        "flashworthy-server: the database fails: no such table: summary\n",
    )


@pytest.mark.sqlite
def test_the_database_may_be_named_on_the_command_line(run, url):
    result = run("machines", "--database", url, database="sqlite:///elsewhere.db")

    assert (result.exit_code, result.output) == (0, "no such machine\n")


def test_a_code_is_printed_once_for_a_person_and_as_json(run):
    plain = run("code", "new", "--uses", "20", "--days", "2", "--place", "Alder Lane/hall")
    as_json = run("code", "new", "--json")

    assert re.fullmatch(r"fwjoin(-[0-9A-Z]{6}){4}\n", plain.stdout)
    assert plain.stderr.startswith("for 20 machine(s), until ")
    assert list(json.loads(as_json.stdout)) == ["code", "uses", "place", "expires_at"]


def test_a_token_is_made_and_revoked(run, site):
    token = run("token", "new", "Oda").stdout.strip()
    assert site.get("/overview", token=token).status_code == 200

    assert run("token", "revoke", "Oda").output == "token 'Oda' is revoked\n"
    assert site.get("/overview", token=token).status_code == 401
    again = run("token", "revoke", "Oda")

    assert (again.exit_code, again.output) == (
        1,
        "flashworthy-server: there is no token named 'Oda' that could be revoked\n",
    )


def test_two_tokens_have_two_names(run):
    run("token", "new", "Oda")

    result = run("token", "new", "Oda")

    assert (result.exit_code, result.output) == (
        1,
        "flashworthy-server: there is a token named 'Oda' already; choose another name\n",
    )


@pytest.mark.parametrize("words", [("--uses", "0"), ("--days", "0"), ("--days", "soon")])
def test_a_number_that_makes_no_sense_is_wrong_usage(run, words):
    assert run("code", "new", *words).exit_code == 2


def test_a_carried_report_makes_its_machine_known(run):
    write("one.json", carried())

    result = run("reports", "import", "one.json")

    assert (result.exit_code, result.output) == (0, "one.json: kept, machine #1\n")
    assert run("reports", "import", "one.json").output == "one.json: was here already, machine #1\n"
    machines = json.loads(run("machines", "--json").stdout)
    assert [(each["name"], each["version_text"]) for each in machines] == [
        ("reading-room-4", "1.29")
    ]


def test_a_file_may_carry_several_reports(run):
    second = carried(report_id=report_id(2), agent_id="7b0c5a44-0a55-4c5e-9d4f-52d1a1f2b8ff")
    write("two.json", [carried(), second])

    result = run("reports", "import", "two.json")

    assert result.output == "two.json[0]: kept, machine #1\ntwo.json[1]: kept, machine #2\n"


def test_a_carried_report_of_a_known_machine_is_recognised_by_its_serial(run, site):
    site.machine(1)
    report = carried(
        agent_id="7b0c5a44-0a55-4c5e-9d4f-52d1a1f2b8ff",
        identity={"system_serial": "QM0001"},
        taken_at="2026-05-04T10:30:00Z",
    )
    report["firmware"]["version_text"] = "1.34"
    write("one.json", report)

    result = run("reports", "import", "one.json", "--json")

    assert json.loads(result.stdout)[0]["machine_id"] == 1
    assert site.get("/machines/1").json["machine"]["version_text"] == "1.34"


def test_two_carried_reports_without_evidence_are_of_one_machine_if_one_agent_made_them(run):
    nameless = carried(identity={})
    write("one.json", nameless | {"sequence": 1})
    write("two.json", nameless | {"sequence": 2, "report_id": report_id(2)})

    result = run("reports", "import", "two.json", "one.json")

    assert result.output == "two.json: kept, machine #1\none.json: kept, machine #1\n"


def test_an_older_carried_report_is_history_only(run, site):
    site.machine(1)
    report = carried(
        agent_id="7b0c5a44-0a55-4c5e-9d4f-52d1a1f2b8ff",
        identity={"system_serial": "QM0001"},
        taken_at="2026-05-01T10:30:00Z",
    )
    report["firmware"]["version_text"] = "1.20"
    write("one.json", report)

    run("reports", "import", "one.json")

    assert site.get("/machines/1").json["machine"]["version_text"] == "1.29"
    assert site.get("/machines/1/history").json["reports"][0]["kept_as"] == "late"


def test_where_one_carried_report_is_wrong_none_is_kept(run):
    write("good.json", carried())
    write("bad.json", [carried(sequence="x"), carried(source="agent"), 5])

    result = run("reports", "import", "good.json", "bad.json")

    assert result.exit_code == 1
    assert result.output == (
        "flashworthy-server: nothing was imported\n"
        "  bad.json[0]: sequence: Not a valid integer.\n"
        "  bad.json[1]: source: expected file, got agent\n"
        "  bad.json[2]: body: Invalid input type.\n"
    )
    assert run("machines").output == "no such machine\n"


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (None, "cannot read r.json: No such file or directory"),
        (b"{", "r.json: not JSON: Expecting property name enclosed in double quotes"),
        (b"\xff\xfe", "r.json: line 1: expected UTF-8, got the byte 0xff"),
        (b" " * (16 * 1024 * 1024 + 1), "r.json: expected at most 16777216 bytes, got more"),
    ],
    ids=["missing", "no JSON", "no UTF-8", "too large"],
)
@pytest.mark.parametrize("kind", ["releases", "reports"])
def test_a_file_that_cannot_be_read_is_one_plain_line(run, kind, content, message):
    if content is not None:
        Path("r.json").write_bytes(content)

    result = run(kind, "import", "r.json")

    assert result.exit_code == 1
    assert result.output.startswith(f"flashworthy-server: {message}")
    assert result.output.count("\n") == 1


@pytest.fixture
def stocked(run):
    """Two carried reports and the knowledge about their model."""
    write("r.json", KNOWLEDGE)
    run("releases", "import", "r.json")
    write("one.json", carried(identity={"hostname": "reading-room-4", "place": "Alder Lane"}))
    run("reports", "import", "one.json")
    return run


def test_machines_are_listed_as_a_table(stocked):
    result = stocked("machines", "--place", "Alder Lane")

    lines = result.output.splitlines()
    assert lines[0].split() == [
        "#", "machine", "place", "model", "runs", "outcome", "reported", "attention",
    ]  # fmt: skip
    assert lines[2].split()[:6] == ["1", "reading-room-4", "Alder", "Lane", "Folio", "14"]
    assert stocked("machines", "--place", "Mill Street").output == "no such machine\n"
    assert stocked("machines", "--outcome", "splendid").exit_code == 2


def test_a_name_cannot_move_the_cursor(run):
    write("one.json", carried(identity={"hostname": "a\x1b[2J\x07b"}))
    run("reports", "import", "one.json")

    for words in (("machines",), ("verdict", "#1"), ("overview",), ("worklist",)):
        assert "\x1b" not in run(*words).output
        assert "\x07" not in run(*words).output


def test_a_verdict_reads_the_same_as_everywhere(stocked):
    lines = stocked("verdict", "reading-room-4").output.splitlines()
    more = stocked("verdict", "#1", "--all").output.splitlines()
    spot = json.loads(stocked("verdict", "#1", "--moment", "spot", "--json").output)

    assert lines[0].split()[1:] == ["reading-room-4", "Alder", "Lane"]
    assert len(more) > len(lines)
    assert spot["moment"] == "spot"


@pytest.mark.parametrize(
    ("name", "message"),
    [
        ("nobody", "there is no machine named 'nobody'"),
        ("#7", "there is no machine #7"),
        ("#99999999999999999999", "there is no machine #99999999999999999999"),
    ],
)
def test_a_machine_that_is_not_there_is_one_plain_line(run, name, message):
    result = run("verdict", name)

    assert (result.exit_code, result.output) == (1, f"flashworthy-server: {message}\n")


def test_a_name_that_two_machines_have_asks_which(run):
    write("two.json", [
        carried(agent_id=f"7b0c5a44-0a55-4c5e-9d4f-52d1a1f2b8f{n}", report_id=report_id(n))
        for n in (1, 2)
    ])  # fmt: skip
    run("reports", "import", "two.json")

    result = run("verdict", "reading-room-4")

    assert (result.exit_code, result.output) == (
        1,
        "flashworthy-server: several machines are named 'reading-room-4': name one of #1, #2\n",
    )


def test_a_machine_is_marked_and_the_mark_taken_back(stocked):
    marked = stocked("mark", "reading-room-4", "drug cabinet control")
    assert marked.output == "reading-room-4 is marked as drug cabinet control\n"
    assert stocked("verdict", "reading-room-4").output.startswith("HOLD")

    cleared = stocked("mark", "reading-room-4", "--clear")

    assert cleared.output == "reading-room-4 is no longer marked\n"
    assert not stocked("verdict", "reading-room-4").output.startswith("HOLD")
    assert stocked("mark", "reading-room-4").exit_code == 2


def test_the_overview_is_a_page_of_counts_and_the_worklist(run):
    write("one.json", carried(taken_at="2026-05-04T09:58:00Z"))
    run("reports", "import", "one.json")

    assert run("overview").output == (
        "machines     1 in all\n"
        "outcome      1 undecided\n"
        "standing     1 unlisted\n"
        "priority     1 none\n"
        "attention    none\n"
        "places       1 not known\n"
        "models       1 Quillmark Folio 14\n"
        "age (years)  1 aged 3\n"
        "refused      none\n"
        "\n" + run("worklist").output
    )
    overview = json.loads(run("overview", "--json").output)
    assert overview["machines"] == 1


def test_the_worklist_is_a_table(run):
    assert run("worklist").output == "nothing is undecided\n"
    write("one.json", carried())
    run("reports", "import", "one.json")

    assert run("worklist").output == (
        "machines    maker      model     board    runs    newest seen here    because\n"
        "----------  ---------  --------  -------  ------  ------------------  "
        "------------------------------------------------\n"
        "1           Quillmark  Folio 14  -        1.29    -                   "
        "nobody has compared it with the maker's releases\n"
    )
    (item,) = json.loads(run("worklist", "--json").output)
    assert item["machines"] == 1


def test_versions_are_compared_and_explained(run):
    compared = run("versions", "compare", "1.9", "1.10", "--maker", "Quillmark")
    explained = run("versions", "explain", "1.9", "--maker", "Quillmark")

    assert compared.output.splitlines()[0] == "older"
    assert len(compared.output.splitlines()) == 2
    assert explained.output.strip()


def test_a_posted_report_and_a_carried_one_give_the_same_verdict(run, site):
    site.machine(1)
    assert a_sent_report()["source"] == "agent"
    write("one.json", carried(agent_id="7b0c5a44-0a55-4c5e-9d4f-52d1a1f2b8ff"))
    run("reports", "import", "one.json")

    first, second = (site.get(f"/machines/{number}/verdict").json for number in (1, 2))

    assert first["outcome"] == second["outcome"]
    assert [each["code"] for each in first["checks"]] == [each["code"] for each in second["checks"]]
