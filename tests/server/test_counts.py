"""The kept numbers of the overview are those of a recount, whatever changes, and by whom.

That nothing else makes them wrong is held at the end of every test of the server (`conftest`).
"""

import threading
from collections import Counter
from datetime import date

import pytest
from sqlalchemy import delete, select, update

from flashworthy_server.services import machines as machine_service
from flashworthy_server.services import overview
from flashworthy_server.store import counts
from flashworthy_server.store.listing import Filters, list_machines
from flashworthy_server.tables import combinations, machines, summary
from support.site import WHO, a_sent_report


def counted(site, *facets):
    with site.site.database.reading() as connection:
        return counts.load_counts(connection, facets)


def by_hand(site):
    """The same by looking at every row, in Python."""
    with site.site.database.reading() as connection:
        of = {row.id: row for row in connection.execute(select(combinations))}
        rows = [
            (row, of.get(row.combination_id))
            for row in connection.execute(select(machines))
            if row.out_of_service_at is None
        ]
    return {
        "machines": Counter("" for _ in rows),
        "outcome": Counter(row.outcome or "" for row, _ in rows),
        "place": Counter(row.place or "" for row, _ in rows),
        "outermost": Counter((row.place or "").split(" / ")[0] for row, _ in rows),
        "firmware_on": Counter(str(row.firmware_on or "") for row, _ in rows),
        "standing": Counter(one.standing if one else "" for _, one in rows),
        "priority": Counter(
            row.own_priority or (one.priority if one else None) or "" for row, one in rows
        ),
        "combination": Counter(str(one.id) for _, one in rows if one),
        "model": Counter(f"{one.maker}\x1f{one.model}" for _, one in rows if one),
        "undecided": Counter(str(one.id) for row, one in rows if row.outcome == "undecided"),
    }


@pytest.fixture
def varied(site):
    site.machine(1, place="Alder Lane / hall")
    site.machine(2, place="Alder Lane / annexe", firmware={"version_text": "1.34"})
    site.machine(3, place="Mill Street", machine={"product": "Slate 3"})
    site.machine(4, firmware={"secure_boot": False})
    site.enrol(hostname="never-reported", agent_id="7b0c5a44-0a55-4c5e-9d4f-52d1a1f2b8ff")
    return site


def take_out(site):
    machine_service.take_out_of_service(site.site, WHO, 4, "scrapped")


def put_back(site):
    take_out(site)
    machine_service.put_back(site.site, WHO, 4, "found again")


def raise_one_priority(site):
    """Of one machine alone, whose combination changes after that."""
    with site.site.database.writing() as connection:
        connection.execute(update(machines).where(machines.c.id == 1).values(own_priority="defer"))
    site.know()


CHANGES = {
    "nothing": lambda site: None,
    "new knowledge": lambda site: site.know(),
    "another place": lambda site: machine_service.move(site.site, WHO, 1, "Mill Street"),
    "out of service": take_out,
    "back in service": put_back,
    "a priority of its own": raise_one_priority,
    "a mark": lambda site: site.patch("/machines/2", {"marked": "drug cabinet control"}),
    "silence": lambda site: site.clock.pass_by(days=8),
}


@pytest.mark.parametrize("change", CHANGES.values(), ids=CHANGES.keys())
def test_kept_numbers_are_what_looking_at_every_row_finds(varied, change):
    change(varied)
    varied.get("/overview")

    found = by_hand(varied)

    assert counted(varied, *found) == found


def test_another_version_moves_a_machine_from_one_combination_to_the_other(site):
    token = site.enrol(hostname="reading-room-4")
    site.send(token, a_sent_report(sequence=1))
    site.know()
    site.send(token, a_sent_report(sequence=2, firmware={"version_text": "1.34"}))

    found = counted(site, "standing", "combination")

    assert found["standing"] == {"current": 1}
    assert list(found["combination"].values()) == [1]


def test_reports_knowledge_and_judging_at_the_same_time_keep_the_numbers_right(site):
    """Each in a thread of its own, with its own connections."""
    failures = []

    def often(work):
        try:
            for number in range(6):
                work(number)
        except Exception as error:  # noqa: BLE001  (told by the test's own thread)
            failures.append(error)

    def report(first):
        return lambda number: site.machine(
            first + number, firmware={"version_text": f"1.{20 + number}"}
        )

    works = (report(100), report(200), lambda _: site.know(), lambda _: site.get("/overview"))
    threads = [threading.Thread(target=often, args=(work,)) for work in works]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()

    assert failures == []
    found = by_hand(site)
    assert found["machines"][""] == 12
    assert counted(site, *found) == found


def test_a_number_that_is_wrong_is_found_and_mended(varied):
    facet = summary.c.facet == "standing"
    with varied.site.database.writing() as connection:
        connection.execute(update(summary).where(facet).values(count=summary.c.count + 2))
        connection.execute(delete(summary).where(summary.c.facet == "machines"))

    found = overview.recount(varied.site, mend=False)
    mended = overview.recount(varied.site, mend=True)

    assert ("machines", "", -5) in found
    assert ("standing", "unlisted", 2) in found
    assert mended == found
    assert overview.recount(varied.site, mend=False) == []


# ---- how pages are found ----------------------------------------------------------------------


@pytest.mark.parametrize(
    "asked",
    [
        {},
        {"outcome": "undecided"},
        {"standing": "behind"},
        {"priority": "immediate"},
        {"maker": "Quillmark", "model": "Folio 14"},
        {"place": "Alder Lane"},
        {"firmware_before": date(2023, 1, 1)},
        {"attention": "silent"},
        {"attention": "priority"},
        {"attention": "silent-after-flash"},
        {"out_of_service": True},
    ],
    ids=str,
)
def test_no_page_reads_all_machines_without_an_index(varied, asked):
    """As SQLite says itself: EXPLAIN QUERY PLAN. Walking along the names ends with the page."""
    plans = plans_of(varied, Filters(**asked), count=50)

    assert plans != []
    assert [line for line in plans if line in ("SCAN machines", "SCAN combinations")] == []


def test_a_page_of_few_combinations_reads_a_stretch_of_each(varied):
    varied.machine(5, machine={"product": "Slate 3"})

    plans = plans_of(varied, Filters(maker="Quillmark", model="Folio 14"), count=1)

    stretch = "(combination_id=? AND out_of_service_at=? AND name>? AND name<?)"
    assert f"SEARCH machines USING COVERING INDEX ix_machines_by_combination {stretch}" in plans


def plans_of(site, filters, count):
    """How SQLite finds a page that begins after a name."""
    seen = []
    with site.site.database.reading() as connection:
        if connection.dialect.name != "sqlite":
            pytest.skip("PostgreSQL chooses by its own statistics")
        driver = connection.connection.dbapi_connection
        driver.set_trace_callback(seen.append)
        list_machines(connection, filters, now=site.clock(), after=("desk", 0), count=count)
        driver.set_trace_callback(None)
        return [
            line.detail
            for statement in seen
            for line in connection.exec_driver_sql(f"EXPLAIN QUERY PLAN {statement}")
        ]
