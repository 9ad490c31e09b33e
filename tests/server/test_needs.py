"""A need is worked out from what may be about its combination, and not used when outdated."""

import pytest
from sqlalchemy import select

from flashworthy_common.makers import Combination
from flashworthy_server.services import needs
from flashworthy_server.store import combinations as combination_store
from flashworthy_server.store.statements import mark_outdated
from flashworthy_server.tables import combinations, outdated_needs
from support.site import KNOWLEDGE, RELEASE, REVIEW


def combination(model="Folio 14", board="QF14", version_text="1.29"):
    return Combination(
        machine_maker="Quillmark",
        model=model,
        board=board,
        board_version="A",
        version_text=version_text,
    )


COMBINATIONS = (
    combination(),
    combination(model="Folio 14 G2", board="QF14-2"),
    combination(model="Folio 15", board="QF15"),
    combination(model="Slate 3", board="QS3"),
)


@pytest.fixture
def stored(site):
    with site.site.database.writing() as connection:
        for each in COMBINATIONS:
            needs.combination_id_of(connection, each)
    return site


def marked(site, *models, maker="Quillmark"):
    """The models of the combinations that statements about `models` mark."""
    with site.site.database.writing() as connection:
        mark_outdated(connection, [(maker, models)])
        query = select(combinations.c.model).join(
            outdated_needs, outdated_needs.c.combination_id == combinations.c.id
        )
        found = sorted(connection.scalars(query))
    needs.renew_outdated(site.site)
    return found


@pytest.mark.parametrize(
    ("models", "touched"),
    [
        (("folio  14",), ["Folio 14"]),
        (("QF15",), ["Folio 15"]),
        (("Folio 14*",), ["Folio 14", "Folio 14 G2"]),
        (("Fol*",), ["Folio 14", "Folio 14 G2", "Folio 15"]),
        (("Slate 3", "QF14-*"), ["Folio 14 G2", "Slate 3"]),
        (("Tome 7",), []),
        (("Folio_14*",), []),  # no pattern of the database's
    ],
)
def test_a_statement_touches_what_it_may_be_about_and_no_more(stored, models, touched):
    assert marked(stored, *models) == touched


def test_a_statement_of_another_maker_touches_nothing(stored):
    assert marked(stored, "Folio 14*", maker="Brightloom") == []


def test_ten_thousand_statements_are_looked_up_in_parts(stored):
    names = [f"Model {number}" for number in range(10_000)]
    patterns = [f"Board {number}-*" for number in range(300)]

    assert marked(stored, *names, *patterns, "Folio 15") == ["Folio 15"]


def test_an_outdated_need_is_worked_out_where_someone_asks_for_it(site):
    site.machine(1)
    site.know()
    with site.site.database.writing() as connection:
        connection.exec_driver_sql("DELETE FROM reviews")
        mark_outdated(connection, [("Quillmark", ("Folio 14",))])

    with site.site.database.reading() as connection:
        (kept,) = combination_store.load_combinations(connection, [1])
        assert kept.need.review is not None
        assert needs.load(connection, 1).need.review is None
        assert combination_store.count_outdated(connection) == 1


def test_what_was_left_outdated_is_renewed_by_the_next_who_looks(site):
    site.machine(1)
    site.know()
    with site.site.database.writing() as connection:  # as if the process had ended here
        connection.exec_driver_sql("DELETE FROM reviews")
        mark_outdated(connection, [("Quillmark", ("Folio 14",))])

    assert site.get("/machines").json["machines"][0]["outcome"] == "undecided"
    with site.site.database.reading() as connection:
        assert combination_store.count_outdated(connection) == 0


def test_a_report_of_an_outdated_combination_is_judged_by_what_is_known_now(site):
    site.post("/releases/import", KNOWLEDGE)
    site.machine(1)
    with site.site.database.writing() as connection:
        connection.exec_driver_sql("DELETE FROM reviews")
        mark_outdated(connection, [("Quillmark", ("Folio 14",))])

    site.machine(2)

    with site.site.database.reading() as connection:
        assert connection.exec_driver_sql("SELECT outcome FROM machines").scalars().all() == [
            "prepare",
            "undecided",
        ]


def test_many_outdated_needs_are_renewed_in_batches_and_told(stored):
    with stored.site.database.writing() as connection:
        for number in range(needs.AT_ONCE + 5):
            needs.combination_id_of(connection, combination(version_text=f"0.{number}"))
        mark_outdated(connection, [("Quillmark", ("Folio 14",))])
    told = []

    done = needs.renew_outdated(stored.site, lambda *progress: told.append(progress))

    assert done == needs.AT_ONCE + 6
    assert told == [("needs", needs.AT_ONCE, done), ("needs", done, done)]


def test_a_machine_of_another_model_keeps_its_verdict_untouched(site):
    site.machine(1)
    site.machine(2, machine={"product": "Slate 3"})
    site.get("/machines")
    with site.site.database.writing() as connection:
        connection.exec_driver_sql("UPDATE machines SET sentence = 'as it was' WHERE id = 2")

    site.post("/releases/import", KNOWLEDGE)

    rows = site.get("/machines").json["machines"]
    assert [row["sentence"] == "as it was" for row in rows] == [False, True]


def test_the_newest_version_seen_here_is_told_with_its_first_day(site):
    site.machine(1)
    site.clock.pass_by(days=2)
    site.machine(2, firmware={"version_text": "1.31", "seen_at": site.clock.now})
    site.clock.pass_by(days=3)
    site.machine(3, firmware={"version_text": "1.31", "seen_at": site.clock.now})

    newest = site.get("/machines/1").json["need"]["newest_seen"]

    assert newest == {"version_text": "1.31", "machines": 2, "since": "2026-05-06T10:00:00Z"}
    lines = site.get("/machines/1/verdict").json
    assert lines["need"]["newest_seen"] == newest
    assert lines["need"]["target"] is None


def test_a_two_step_path_is_told_and_its_withdrawn_stone_too(site):
    site.machine(1)
    stone = RELEASE | {"version_text": "1.31", "state": "superseded", "reasons": []}
    target = RELEASE | {"requires": {"firmware": "1.31"}}
    site.post("/releases/import", {"releases": [stone, target], "reviews": [REVIEW]})

    assert site.get("/machines/1").json["need"]["path"] == ["1.29", "1.31", "1.34"]

    site.patch("/releases/1", {"state": "withdrawn", "state_reason": "it stops some disks"})

    need = site.get("/machines/1").json["need"]
    assert need["path"] == []
    assert need["no_path"]["because"] == (
        "1.34 asks for 1.31 or newer first;"
        " what would serve is withdrawn: 1.31 (it stops some disks)"
    )
    assert site.get("/machines/1").json["machine"]["outcome"] == "hold"
