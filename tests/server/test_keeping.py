"""How long reports are kept: whole months go, and what a machine is stays."""

import json
from datetime import date

import pytest
from click.testing import CliRunner
from sqlalchemy import inspect, select

from flashworthy_server.cli import main
from flashworthy_server.db import Database
from flashworthy_server.services import audit, history
from flashworthy_server.services.audit import Filters
from flashworthy_server.services.who import Role
from flashworthy_server.services.work import Worker
from flashworthy_server.store.history import load_body
from flashworthy_server.tables import report_ids, reports
from support.site import WHO, a_sent_report, report_id


@pytest.fixture
def token(site):
    """That of a machine which reports in May, June and July: two, one and one times."""
    token = site.machine(0)
    for sequence, days in ((2, 1), (3, 30), (4, 28)):
        site.clock.pass_by(days=days)
        report(site, token, sequence)
    return token


def report(site, token, sequence, number=0):
    identity = {"hostname": "desk-000", "system_serial": "QM0000"}
    agent_id = f"7b0c5a44-0a55-4c5e-9d4f-{0:012x}"
    sent = a_sent_report(sequence=sequence, agent_id=agent_id, number=number, identity=identity)
    response = site.send(token, sent)
    assert response.status_code in (200, 201)
    return response.status_code


def kept(site):
    """The numbers of the reports that are here, and of their ids."""
    with site.site.database.reading() as connection:
        found = [
            connection.scalars(select(table.c.number).order_by(table.c.number)).all()
            for table in (reports, report_ids)
        ]
    assert found[0] == found[1]
    return found[0]


def test_all_reports_are_kept_by_default(site, token):
    site.clock.pass_by(days=3650)

    Worker(site.site).round()

    assert kept(site) == [1, 2, 3, 4]


@pytest.mark.parametrize(("months", "left"), [(1, [3, 4]), (2, [1, 2, 3, 4]), (12, [1, 2, 3, 4])])
def test_whole_months_are_kept_beside_the_one_under_way(site, token, months, left):
    site.settle(history_months=months)

    Worker(site.site).round()

    assert kept(site) == left


def test_months_go_as_time_passes(site, token):
    site.settle(history_months=1)
    worker = Worker(site.site)
    worker.round()

    site.clock.pass_by(days=30)
    worker.round()

    assert kept(site) == [4]


def test_what_a_machine_is_stays_when_its_reports_go(site, token):
    before = site.get("/machines/1").json
    site.clock.pass_by(days=90)

    history.trim(site.site, WHO, 1)

    assert kept(site) == []
    after = site.get("/machines/1", token=site.token_of(Role.VIEWER)).json
    shown = ("name", "version_text", "standing")
    assert [after["machine"][key] for key in shown] == [before["machine"][key] for key in shown]
    assert after["report"] == before["report"]
    assert report(site, token, 5) == 201
    assert kept(site) == [5]


def test_a_body_that_stays_can_be_read_after_others_went(site, token):
    history.trim(site.site, WHO, 1)

    with site.site.database.reading() as connection:
        assert load_body(connection, 1, 2) is None
        assert report_id(3).encode() in (load_body(connection, 1, 3) or b"")
        assert report_id(4).encode() in (load_body(connection, 1, 4) or b"")


def test_an_id_is_known_as_long_as_its_report(site, token):
    assert report(site, token, 3) == 200

    history.trim(site.site, WHO, 1)

    assert report(site, token, 3) == 200
    assert report(site, token, 1) == 201  # as late as that, it counts as a new one
    assert kept(site) == [3, 4, 5]


def test_what_a_person_trims_is_audited_and_can_be_seen_before(site, token, clock):
    environment = {"FLASHWORTHY_DATABASE": site.url}

    def run(*words):
        return CliRunner().invoke(main, ["history", *words], env=environment, obj=clock)

    shown = run("show").output.split("\n")
    said = run("trim", "--keep-months", "1", "--dry-run").output
    assert [line.split()[:2] for line in shown[3:6]] == [
        ["2026-05", "2"],
        ["2026-06", "1"],
        ["2026-07", "1"],
    ]
    assert said == "2 reports that came before 2026-06-01 would be removed\n"
    assert kept(site) == [1, 2, 3, 4]

    done = run("trim", "--keep-months", "1")

    assert done.output == "reports that came before 2026-06-01 are removed\n"
    assert kept(site) == [3, 4]
    (entry,) = audit.newest_entries(
        site.site, Filters(action="history.trim"), before=None, count=9
    )[0]
    assert json.loads(entry.after) == {"months": 1, "before": "2026-06-01"}


# ---- PostgreSQL, where a month is a table ----------------------------------------------------


@pytest.fixture
def split(site):
    if not site.site.database.dialect.splits_history:
        pytest.skip("SQLite keeps history in one table")
    return site


def parts(site, table="reports"):
    with site.site.database.reading() as connection:
        names = inspect(connection).get_table_names()
    return sorted(name for name in names if name.startswith(f"{table}_"))


def test_months_have_tables_before_they_begin(split):
    Worker(split.site).round()

    months = ["2026_05", "2026_06", "2026_07"]
    assert parts(split) == [f"reports_{month}" for month in months] + ["reports_other"]
    assert parts(split, "report_ids") == [f"report_ids_{month}" for month in months] + [
        "report_ids_other"
    ]


def test_a_report_that_finds_no_month_is_kept_and_moves_when_there_is_one(split, token):
    assert parts(split) == ["reports_other"]
    assert kept(split) == [1, 2, 3, 4]

    Worker(split.site).round()

    assert kept(split) == [1, 2, 3, 4]
    with split.site.database.reading() as connection:
        found = connection.exec_driver_sql("SELECT count(*) FROM reports_other").scalar()
        may = connection.exec_driver_sql("SELECT count(*) FROM reports_2026_05").scalar()
    assert (found, may) == (0, 2)


def test_a_month_is_dropped_with_its_table(split, token):
    split.settle(history_months=1)

    Worker(split.site).round()

    assert "reports_2026_05" not in parts(split)
    assert "report_ids_2026_05" not in parts(split, "report_ids")
    assert kept(split) == [3, 4]


def test_a_month_begins_in_utc_wherever_the_database_is(split, token):
    with split.site.database.writing() as connection:
        connection.exec_driver_sql("ALTER DATABASE site SET TimeZone = 'Asia/Tokyo'")
    other = Database(split.url, wait_seconds=5)
    with other.writing() as connection:
        other.dialect.make_months(connection, [date(2026, 9, 1)])
        bounds = connection.exec_driver_sql(
            "SELECT pg_get_expr(relpartbound, oid) FROM pg_class WHERE relname = 'reports_2026_09'"
        ).scalar()
    other.close()

    assert bounds == ("FOR VALUES FROM ('2026-09-01 00:00:00+00') TO ('2026-10-01 00:00:00+00')")
