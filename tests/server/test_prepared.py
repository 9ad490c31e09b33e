"""Prepared statements read and write what SQLAlchemy itself would."""

import pytest
from sqlalchemy import Column, Integer, MetaData, Table, bindparam, insert, literal, select, update
from sqlalchemy.exc import DBAPIError, IntegrityError

from flashworthy_server.dialects.many import among
from flashworthy_server.dialects.prepared import PreparedChange, PreparedQuery, whole_rows
from flashworthy_server.tables import machines, report_ids, reports
from support.machines import NOW

MACHINES = select(machines, literal("beside").label("more")).where(
    among(machines.c.id, "ids"), machines.c.name != "nobody"
)


@pytest.fixture
def numbers(site):
    """Machines that reported, by their ids."""
    numbers = [1, 2, 3]
    for number in numbers:
        site.machine(number)
    return numbers


def test_a_prepared_query_finds_what_the_query_finds(site, numbers):
    with site.site.database.reading() as connection:
        expected = connection.execute(MACHINES, {"ids": numbers}).mappings().all()

        found = PreparedQuery(MACHINES).rows(connection, ids=numbers)

    assert [row._asdict() for row in found] == [dict(row) for row in expected]
    assert {row.enrolled_at.utcoffset().total_seconds() for row in found} == {0}


def test_values_may_stand_in_a_prepared_query_or_come_with_it(site, numbers):
    query = PreparedQuery(
        select(reports.c.report_id)
        .where(reports.c.machine_id == bindparam("machine"), reports.c.received_at <= NOW)
        .limit(1)
    )

    with site.site.database.reading() as connection:
        assert len(query.rows(connection, machine=2)) == 1
        assert query.rows(connection, machine=4) == []


def test_a_missing_value_is_named(site):
    with site.site.database.reading() as connection, pytest.raises(KeyError, match="ids"):
        PreparedQuery(MACHINES).rows(connection)


def test_prepared_rows_are_kept_as_the_insert_keeps_them(site, numbers):
    with site.site.database.writing() as connection:
        of_one = select(reports).where(reports.c.machine_id == 1)
        (row,) = (dict(row) for row in connection.execute(of_one).mappings())
        added = [row | {"number": number, "report_id": id_} for number, id_ in NEW_IDS.items()]
        PreparedChange(whole_rows(reports)).execute(connection, added[:1])
        connection.execute(insert(reports), added[1:])

        kept = [dict(row) for row in connection.execute(of_one).mappings()]

    assert sorted(kept, key=lambda each: each["number"]) == [row, *added]


NEW_IDS = {number: f"019a0000-0000-7000-8000-00000000000{number}" for number in (8, 9)}


def test_a_prepared_update_changes_each_row_by_its_own_values(site, numbers):
    change = PreparedChange(
        update(machines)
        .where(machines.c.id == bindparam("machine"))
        .values(name=bindparam("new_name"), enrolled_at=bindparam("at"))
    )

    with site.site.database.writing() as connection:
        change.execute(
            connection,
            [{"machine": number, "new_name": f"desk-{number}", "at": NOW} for number in (1, 3)],
        )
        named = connection.execute(
            select(machines.c.name, machines.c.enrolled_at).order_by(machines.c.id)
        ).all()

    assert [named[0], named[2]] == [("desk-1", NOW), ("desk-3", NOW)]
    assert named[1].name != "desk-2"


def test_a_prepared_change_without_rows_does_nothing(site):
    with site.site.database.writing() as connection:
        PreparedChange(whole_rows(report_ids)).execute(connection, [])

        assert connection.execute(select(report_ids)).all() == []


def test_what_the_database_refuses_is_told_as_sqlalchemy_tells_it(site, numbers):
    again = {"report_id": NEW_IDS[8], "machine_id": 1, "number": 8}

    with pytest.raises(IntegrityError), site.site.database.writing() as connection:
        PreparedChange(whole_rows(report_ids)).execute(connection, [again, again])


def test_a_query_that_fails_is_told_as_sqlalchemy_tells_it_and_ends_its_connection(site):
    query, left = PreparedQuery(select(Table("gone", MetaData(), Column("id", Integer)))), []

    def ask():
        with site.site.database.reading() as connection:
            try:
                query.rows(connection)
            finally:
                left.append(connection.invalidated)

    with pytest.raises(DBAPIError, match="gone"):
        ask()

    assert left == [True]
    with site.site.database.reading() as another:
        assert PreparedQuery(MACHINES).rows(another, ids=[1]) == []
