"""Which machines are judged again next: each once, whatever they are due by."""

import pytest
from sqlalchemy import select

from flashworthy_server.store import due as store
from flashworthy_server.tables import combinations
from support.machines import NOW


@pytest.fixture
def mixed(site):
    """Six machines: those with odd numbers run one version, the others another."""
    for number in range(1, 7):
        site.machine(number, firmware={"version_text": "1.28" if number % 2 else "1.29"})
    return site


def make_due(site, *versions):
    with site.site.database.writing() as connection:
        is_of = combinations.c.version_text.in_(versions)
        ids = connection.scalars(select(combinations.c.id).where(is_of)).all()
        assert len(ids) == len(versions)
        store.make_due(connection, ids, NOW)


def take(site, count):
    with site.site.database.writing() as connection:
        return store.take(connection, count)


def test_many_of_several_combinations_are_taken_by_name(mixed):
    make_due(mixed, "1.28", "1.29")

    assert [take(mixed, 2) for _ in range(4)] == [[1, 2], [3, 4], [5, 6], []]


def test_few_of_a_large_site_are_taken_one_combination_after_the_other(mixed, monkeypatch):
    monkeypatch.setattr(store, "_ONE_IN", 0)  # as if all others were very many more
    make_due(mixed, "1.28", "1.29")

    assert [take(mixed, 2) for _ in range(4)] == [[1, 3], [5, 2], [4, 6], []]


def test_what_becomes_due_again_meanwhile_is_taken_again_from_its_first_on(mixed):
    make_due(mixed, "1.28", "1.29")
    first = take(mixed, 3)
    make_due(mixed, "1.29")

    rest = [number for _ in range(5) for number in take(mixed, 3)]

    assert first == [1, 2, 3]
    assert sorted(rest) == [2, 4, 5, 6]
    assert take(mixed, 3) == []


def test_a_new_limit_of_the_site_and_news_of_a_combination_are_both_followed(mixed):
    with mixed.site.database.writing() as connection:
        store.make_due_within(connection, None, NOW)
    make_due(mixed, "1.28")

    taken = [number for _ in range(5) for number in take(mixed, 2)]

    assert sorted(taken) == [1, 1, 2, 3, 3, 4, 5, 5, 6]
    assert take(mixed, 2) == []


def test_machines_without_a_name_of_their_own_are_taken_by_their_number(site):
    for number in range(1, 5):
        site.machine(
            number,
            identity={"hostname": "desk"},
            firmware={"version_text": "1.28" if number % 2 else "1.29"},
        )
    make_due(site, "1.28", "1.29")

    assert [take(site, 1) for _ in range(5)] == [[1], [2], [3], [4], []]
