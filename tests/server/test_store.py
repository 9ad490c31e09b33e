"""The database: made by migrations, safe on disk, and the same as the tables say."""

import re
from datetime import date, timedelta

import pytest
from alembic.autogenerate import compare_metadata
from alembic.runtime.migration import MigrationContext
from sqlalchemy import insert, select, update

from flashworthy_server import create_app, schema
from flashworthy_server.config import Config, config_from
from flashworthy_server.db import Database
from flashworthy_server.dialects.many import among
from flashworthy_server.errors import ConfigurationError, DatabaseError
from flashworthy_server.services.judgement import renew_by_present_rules
from flashworthy_server.site import system_clock
from flashworthy_server.store.packing import packed, unpacked
from flashworthy_server.tables import combinations, machines, metadata, refusals
from support.machines import NOW


@pytest.fixture
def database(url):
    opened = Database(url, wait_seconds=5)
    yield opened
    opened.close()


def is_whole(name, kind, parents):
    """Whether it is a table as the program knows it, not the part of one that is split."""
    return not (kind == "table" and re.match("(reports|report_ids)_", name))


def test_the_migrations_build_what_the_tables_say(database):
    with database.reading() as connection:
        told = {"compare_type": True, "include_name": is_whole}
        context = MigrationContext.configure(connection, opts=told)
        differences = compare_metadata(context, metadata)

    assert differences == []


def test_migrating_again_changes_nothing(database):
    schema.migrate(database)

    schema.require_current(database)


def test_times_are_kept_to_the_millisecond_and_come_in_their_order(database):
    times = [NOW + timedelta(milliseconds=each) for each in (999, 1_000, 1_001, 1_250, 2_000)]
    with database.writing() as connection:
        for time in reversed(times):
            connection.execute(insert(machines).values(name="one", enrolled_at=time))
        wanted = select(machines.c.enrolled_at).order_by(machines.c.enrolled_at)
        kept = connection.scalars(wanted).all()

    assert kept == times


def test_the_clock_of_a_site_ticks_in_milliseconds():
    assert {system_clock().microsecond % 1_000 for _ in range(100)} == {0}


def test_more_numbers_than_a_statement_has_parameters_are_one_parameter(database):
    with database.writing() as connection:
        for name in ("one", "two"):
            connection.execute(insert(machines).values(name=name, enrolled_at=NOW))
        wanted = select(machines.c.name).where(among(machines.c.id, "ids"))
        found = {
            count: connection.scalars(wanted, {"ids": range(count)}).all()
            for count in (0, 2, 100_000)
        }

    assert found == {0: [], 2: ["one"], 100_000: ["one", "two"]}


def test_a_database_of_a_later_version_is_refused(database):
    with database.writing() as connection:
        connection.exec_driver_sql("UPDATE alembic_version SET version_num = '9999'")

    with pytest.raises(DatabaseError, match="is at version 9999, this program needs 0001"):
        schema.require_current(database)
    with pytest.raises(DatabaseError, match=r"cannot use .*: Can't locate revision"):
        schema.migrate(database)


def test_a_database_without_tables_is_refused_with_what_to_do(tmp_path):
    path = tmp_path / "new.db"
    path.touch(mode=0o600)

    with pytest.raises(DatabaseError) as refused:
        create_app({"database": f"sqlite:///{path}"})

    assert str(refused.value) == (
        f"sqlite:///{path} is at version none, this program needs 0001;"
        " run: flashworthy-server migrate"
    )


def test_a_database_that_is_not_there_is_refused_and_not_made(tmp_path):
    path = tmp_path / "new.db"

    with pytest.raises(DatabaseError) as refused:
        create_app({"database": f"sqlite:///{path}"})

    assert str(refused.value) == (f"sqlite:///{path} is not there; run: flashworthy-server migrate")
    assert not path.exists()


def test_a_new_database_is_for_its_owner_only(tmp_path):
    path = tmp_path / "new.db"
    database = Database(f"sqlite:///{path}", wait_seconds=5)

    schema.migrate(database)
    database.close()

    assert path.stat().st_mode & 0o777 == 0o600


def test_a_database_that_cannot_be_opened_is_named(tmp_path):
    database = Database(f"sqlite:///{tmp_path}/no/such/folder.db", wait_seconds=5)

    with pytest.raises(DatabaseError) as refused:
        schema.migrate(database)

    assert "folder.db: No such file or directory" in str(refused.value)


@pytest.mark.parametrize("url", ["flashworthy.db", "", "nonsense://here", "sqlite//x"])
def test_a_url_that_names_no_database_is_refused(url):
    with pytest.raises(ConfigurationError):
        Database(url, wait_seconds=5)


@pytest.mark.parametrize(
    ("mapping", "message"),
    [
        ({"databse": "sqlite://"}, "got 'databse'"),
        ({"page_rows": "50"}, "page_rows: expected a value of type int, got '50'"),
        ({"database": 5}, "database: expected a value of type str, got 5"),
    ],
)
def test_a_setting_that_is_unknown_or_of_another_type_is_refused(mapping, message):
    with pytest.raises(ConfigurationError) as refused:
        config_from(mapping)

    assert str(refused.value).endswith(message)


def test_settings_have_defaults():
    assert config_from(None) == Config()


@pytest.mark.sqlite
@pytest.mark.parametrize(
    ("pragma", "value"),
    [
        ("journal_mode", "wal"),
        ("synchronous", 2),  # FULL, SQLite's documentation of PRAGMA synchronous
        ("foreign_keys", 1),
        ("busy_timeout", 5000),  # milliseconds
    ],
)
def test_sqlite_is_opened_so_that_what_is_committed_stays(database, pragma, value):
    with database.reading() as connection:
        assert connection.exec_driver_sql(f"PRAGMA {pragma}").scalar() == value


def test_a_transaction_that_fails_leaves_nothing(database):
    row = {"on_date": date(2026, 5, 4), "what": "GET /", "status": 404}

    def write_and_fail():
        with database.writing() as connection:
            connection.execute(insert(refusals).values(**row, count=1))
            raise RuntimeError

    with pytest.raises(RuntimeError):
        write_and_fail()

    with database.reading() as connection:
        assert connection.execute(select(refusals)).all() == []


def test_what_older_rules_worked_out_is_renewed(site):
    site.machine(1)
    site.know()
    with site.site.database.writing() as connection:
        connection.execute(update(combinations).values(need_rules=0, standing="ahead"))
        connection.execute(update(machines).values(rules_version=0, outcome="hold"))

    renew_by_present_rules(site.site)

    (row,) = site.get("/machines").json["machines"]
    assert (row["standing"], row["outcome"]) == ("behind", "clear")


def test_a_combination_that_older_rules_worked_out_is_renewed_by_the_next_report(site):
    site.machine(1)
    with site.site.database.writing() as connection:
        connection.execute(update(combinations).values(need_rules=0, standing="ahead"))

    site.machine(2)

    rows = site.get("/machines").json["machines"]
    assert [row["standing"] for row in rows] == ["unlisted", "unlisted"]


def test_a_packed_body_comes_back_as_it_was():
    body = {"name": "Łódź", "list": [1, 2.5, None, True]}

    assert unpacked(packed(body)) == body
