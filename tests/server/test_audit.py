"""The audit trail: in the transaction of the change, append-only, and chained by digests."""

import ast
import hashlib
import json
from pathlib import Path

import pytest
from sqlalchemy.exc import IntegrityError

from flashworthy_server import services
from flashworthy_server.errors import AuditError
from flashworthy_server.services import audit, machines
from flashworthy_server.services.who import Kind, Role, Who
from support.site import KNOWLEDGE, RELEASE, WHO


def entries(site):
    return [audit.told_of(entry) for entry in audit.all_entries(site.site)]


def by(site, *pairs):
    return [entry for entry in entries(site) if entry["action"] in pairs]


def record(site, count=1):
    with site.site.database.writing() as connection:
        for number in range(count):
            audit.record(connection, WHO, site.clock(), "machine.mark", f"machine #{number}")


def tamper(site, statement):
    """Change the database behind the server's back, as whoever owns it can."""
    with site.site.database.writing() as connection:
        if connection.dialect.name == "sqlite":
            connection.exec_driver_sql("DROP TRIGGER audit_update")
            connection.exec_driver_sql("DROP TRIGGER audit_delete")
        else:
            connection.exec_driver_sql("ALTER TABLE audit DISABLE TRIGGER ALL")
        connection.exec_driver_sql(statement)


def test_an_entry_tells_who_what_when_from_where_before_and_after(site):
    site.machine(1)

    site.patch("/machines/1", {"marked": "drug cabinet control"})

    (entry,) = by(site, "machine.mark")
    assert entry | {"number": 0, "digest": ""} == {
        "number": 0,
        "at": "2026-05-04T10:00:00.000000+00:00",
        "who": "program: Ida Fenwick",
        "address": "127.0.0.1",
        "action": "machine.mark",
        "subject": "machine #1",
        "before": {"marked": None},
        "after": {"marked": "drug cabinet control"},
        "digest": "",
    }


def test_an_enrolment_is_told_with_the_code_that_let_it_in(site):
    site.enrol(hostname="reading-room-4", place="Alder Lane")

    (entry,) = by(site, "machine.enrol")
    assert (entry["who"], entry["subject"]) == ("code: #1", "machine #1")
    assert entry["after"]["place"] == "Alder Lane"


def test_what_people_record_is_told_once_for_each_statement(site):
    site.post("/releases/import", KNOWLEDGE)
    site.post("/releases/import", KNOWLEDGE)  # changes nothing
    site.post("/releases", RELEASE | {"minutes": 30})

    told = by(site, "release.add", "release.change", "review.add")
    assert [entry["action"] for entry in told] == ["release.add", "review.add", "release.change"]
    assert [part["minutes"] for part in (told[2]["before"], told[2]["after"])] == [25, 30]


def test_a_change_that_fails_leaves_no_entry_and_an_entry_that_fails_leaves_no_change(
    site, monkeypatch
):
    site.machine(1)
    before = len(entries(site))

    assert site.patch("/machines/99", {"marked": "x"}).status_code == 404
    assert len(entries(site)) == before

    def fail(*arguments, **others):
        raise RuntimeError

    monkeypatch.setattr(audit, "record", fail)
    with pytest.raises(RuntimeError):
        machines.mark(site.site, WHO, 1, "drug cabinet control")
    assert site.get("/machines/1").json["machine"]["marked"] is None


def test_a_whole_chain_is_verified_with_its_number_of_entries(site):
    first = audit.verify(site.site)
    record(site, 3)

    found = audit.verify(site.site)

    assert found.entries == first.entries + 3
    assert found.digest == entries(site)[-1]["digest"]


def test_a_stranger_with_the_export_can_verify_it(site):
    """The rule of the digest, written anew from its description with hashlib alone."""
    record(site, 3)
    previous = "0" * 64
    for entry in entries(site):
        told = {**entry, "digest": previous}
        text = json.dumps(told, sort_keys=True, separators=(",", ":"), ensure_ascii=True)
        previous = hashlib.sha256(text.encode()).hexdigest()
        assert entry["digest"] == previous


@pytest.mark.parametrize(
    ("statement", "says"),
    [
        ("UPDATE audit SET who = 'person: nobody' WHERE number = 4", "entry 4 is not what was"),
        ("UPDATE audit SET after = '{}' WHERE number = 4", "entry 4 is not what was written"),
        ("UPDATE audit SET at = '2020-01-01 00:00:00' WHERE number = 4", "entry 4 is not what"),
        ("DELETE FROM audit WHERE number = 4", "entry 4 is missing: after 3 comes 5"),
        ("DELETE FROM audit WHERE number = 1", "entry 1 is missing: after 0 comes 2"),
        (
            "UPDATE audit SET digest = (SELECT digest FROM audit WHERE number = 3)"
            " WHERE number = 4",
            "entry 4 is not what was written",
        ),
    ],
)
def test_an_entry_that_was_changed_or_removed_breaks_the_chain(site, statement, says):
    record(site, 6)

    tamper(site, statement)

    with pytest.raises(AuditError, match=says):
        audit.verify(site.site)


def test_an_end_that_was_cut_off_shows_by_what_was_noted(site):
    record(site, 6)
    noted = audit.verify(site.site)
    tamper(site, f"DELETE FROM audit WHERE number > {noted.entries - 2}")

    assert audit.verify(site.site).entries == noted.entries - 2  # the chain alone is whole
    with pytest.raises(AuditError, match=f"entry {noted.entries} is missing"):
        audit.verify(site.site, noted=(noted.entries, noted.digest))


def test_a_rewritten_trail_shows_by_what_was_noted(site):
    record(site, 2)
    noted = audit.verify(site.site)
    record(site, 2)
    assert audit.verify(site.site, noted=(noted.entries, noted.digest)).entries > noted.entries

    with pytest.raises(AuditError, match="not the one that was noted"):
        audit.verify(site.site, noted=(noted.entries, "f" * 64))


@pytest.mark.parametrize("statement", ["UPDATE audit SET who = 'x'", "DELETE FROM audit"])
def test_the_database_refuses_to_change_what_was_written(site, statement):
    record(site)

    with (
        pytest.raises(IntegrityError, match="the audit trail only grows"),
        site.site.database.writing() as connection,
    ):
        connection.exec_driver_sql(statement)


def test_programs_fetch_the_trail_as_lines_or_pages(site):
    record(site, 7)

    lines = site.get("/audit", Accept="application/jsonl")
    newest = site.get("/audit?limit=5")

    assert lines.content_type == "application/jsonl"
    assert [json.loads(line) for line in lines.text.splitlines()] == entries(site)
    assert newest.json["entries"] == list(reversed(entries(site)))[:5]
    older = site.client.get(
        newest.headers["Link"].split(">")[0].removeprefix("<"),
        headers={"Authorization": f"Bearer {site.token}"},
    )
    assert older.json["entries"] == list(reversed(entries(site)))[5:]


def test_what_is_logged_where_is_documented(readme):
    for told in ("What is told afterwards", "standard error", "by day and route", "no other log"):
        assert told in readme


def test_what_was_refused_is_logged_and_counted(site, caplog):
    site.get("/audit", token=site.token_of(Role.VIEWER))
    site.get("/overview", token="fwtoken_guess")

    assert [record.getMessage() for record in caplog.records] == [
        "refused with 403: GET /api/v1/audit to program: a viewer from 127.0.0.1",
        "refused with 401: GET /api/v1/overview to stranger from 127.0.0.1",
    ]
    refusals = site.get("/overview").json["refusals"]
    assert {(each["request"], each["status"]) for each in refusals} == {
        ("GET /api/v1/audit", 403),
        ("GET /api/v1/overview", 401),
    }


def test_an_error_of_the_servers_own_is_logged(site, monkeypatch, caplog):
    def fail(*arguments):
        raise RuntimeError("the disk is on fire")

    monkeypatch.setattr("flashworthy_server.services.overview.overview", fail)
    site.get("/overview")

    assert "the disk is on fire" in caplog.text


@pytest.mark.parametrize("path", ["/api/v1/nowhere%0Arefused", "/api/v1/machines/1%0D%0Ax"])
def test_nobody_writes_a_line_of_the_log_of_their_own(site, caplog, path):
    headers = {"Authorization": "Bearer x", "User-Agent": "a\x1b[2J"}
    site.client.get(path, headers=headers)
    site.client.open("/api/v1/overview", method="G\nET", headers=headers)

    for entry in caplog.records:
        assert entry.getMessage().isprintable()


def test_every_use_case_that_is_told_who_writes_it_into_the_trail():
    """Read from the code: a use case takes `who` or `visitor`, and changes the database."""
    silent = []
    for path in sorted(SERVICES.glob("*.py")):
        functions = {
            node.name: node
            for node in ast.parse(path.read_text(encoding="utf-8")).body
            if isinstance(node, ast.FunctionDef)
        }
        for name, node in functions.items():
            asked = {each.arg for each in (*node.args.args, *node.args.kwonlyargs)}
            names = called(node, functions)
            is_public = not name.startswith("_")  # others are steps of one
            told = is_public and asked & {"who", "visitor"}
            if told and names & WRITES and not names & RECORDS:
                silent.append(f"{path.stem}.{name}")

    assert silent == []


SERVICES = Path(services.__file__).parent
WRITES = {"writing"}
RECORDS = {"record", "record_all"}


def called(node, functions, seen=()):
    """Names of everything that a function calls, by itself or through others of its module."""
    names = {
        each.func.attr if isinstance(each.func, ast.Attribute) else each.func.id
        for each in ast.walk(node)
        if isinstance(each, ast.Call) and isinstance(each.func, (ast.Attribute, ast.Name))
    }
    for name in names & functions.keys() - {*seen}:
        names = names | called(functions[name], functions, (*seen, name))
    return names


def test_text_that_no_database_takes_is_chained_as_it_is_stored(site):
    who = Who(kind=Kind.PERSON, name="I\ud800da\x00", role=Role.TECHNICIAN)
    with site.site.database.writing() as connection:
        audit.record(connection, who, site.clock(), "x", "\udfff", after={"a": "\ud800\x00"})

    assert audit.verify(site.site).entries == len(entries(site))
    assert entries(site)[-1]["who"] == "person: I\ufffdda\ufffd"
