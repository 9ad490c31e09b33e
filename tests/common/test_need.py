"""How a combination stands to its maker's releases, and what speaks for an update."""

from dataclasses import replace
from datetime import timedelta

import pytest

from flashworthy_common.need import Observation, Standing, need_of
from flashworthy_common.reasons import Priority, Reason, ReasonKind
from flashworthy_common.releases import Release, ReleaseState, speaks_for
from flashworthy_common.values import Unknown
from support.machines import FOLIO, HOLE, NOW, REVIEW

FAULT = Reason(
    kind=ReasonKind.FAULT,
    priority=Priority.SCHEDULED,
    says="wakes from sleep again",
    source="https://quillmark.example/folio-14/notes",
)


def release(version_text, *reasons, state=ReleaseState.OFFERED, models=("Folio 14",), **facts):
    return Release(
        machine_maker=facts.pop("machine_maker", "Quillmark"),
        models=models,
        version_text=version_text,
        reasons=reasons,
        state=state,
        **facts,
    )


def running(version_text):
    return replace(FOLIO, version_text=version_text)


@pytest.mark.parametrize(
    ("version_text", "offers", "standing"),
    [
        ("1.29", ["1.34"], Standing.BEHIND),
        ("1.34", ["1.34", "1.30"], Standing.CURRENT),
        ("1.36", ["1.34"], Standing.AHEAD),
        ("1.29", [], Standing.UNLISTED),
        (Unknown("permission denied"), ["1.34"], Standing.UNREADABLE),
        ("Default string", ["1.34"], Standing.UNREADABLE),
        ("1.29", ["Q7 build of spring"], Standing.UNREADABLE),  # cannot be ordered
        ("1.29", ["Q7 build of spring", "1.34"], Standing.BEHIND),
    ],
)
def test_the_standing_is_where_the_running_version_stands_among_the_offers(
    version_text, offers, standing
):
    assert need_of(running(version_text), map(release, offers), ()).standing is standing


def test_the_target_is_the_newest_offer_and_reasons_add_up_on_the_way():
    releases = [release("1.34", FAULT), release("1.31", HOLE), release("1.20", FAULT)]

    need = need_of(running("1.29"), releases, ())

    assert need.target == releases[0]
    assert need.reasons == (FAULT, HOLE)
    assert need.priority is Priority.OUT_OF_CYCLE
    assert need.path == ("1.29", "1.34")


def test_what_a_superseded_release_fixed_its_successor_fixes_too():
    releases = [release("1.31", HOLE, state=ReleaseState.SUPERSEDED), release("1.34")]

    need = need_of(running("1.29"), releases, ())

    assert (need.target, need.reasons) == (releases[1], (HOLE,))


def test_a_withdrawn_release_is_neither_a_target_nor_a_reason():
    releases = [release("1.31"), release("1.34", HOLE, state=ReleaseState.WITHDRAWN)]

    need = need_of(running("1.29"), releases, ())

    assert (need.target, need.reasons) == (releases[0], ())


def test_nothing_newer_means_no_target_and_no_reason():
    need = need_of(running("1.34"), [release("1.34", HOLE)], ())

    assert (need.target, need.reasons, need.priority, need.path) == (None, (), None, ())


def test_a_release_speaks_for_its_maker_and_models_in_any_spelling():
    assert speaks_for(release("1.34", models=("folio  14",)), FOLIO)
    assert speaks_for(release("1.34", machine_maker="QUILLMARK Ltd."), FOLIO)
    assert speaks_for(release("1.34", models=("Desk 3", "QF14")), FOLIO)  # by its board
    assert not speaks_for(release("1.34", models=("Folio 15",)), FOLIO)
    assert not speaks_for(release("1.34", machine_maker="Brightloom"), FOLIO)


def test_a_nameless_machine_is_spoken_for_by_nobody():
    nameless = replace(FOLIO, model=Unknown("no name is given"), board=Unknown("no name is given"))

    assert not speaks_for(release("1.34", models=("Default string",)), nameless)


def test_the_latest_review_counts():
    older = replace(REVIEW, reviewed_at=NOW - timedelta(days=200), reviewed_by="Tom Arden")
    elsewhere = replace(REVIEW, models=("Folio 15",), reviewed_at=NOW)

    assert need_of(FOLIO, (), [older, REVIEW, elsewhere]).review == REVIEW
    assert need_of(FOLIO, (), [elsewhere]).review is None


def test_the_newest_version_seen_here_is_an_observation_never_a_target():
    need = need_of(FOLIO, (), (), [("1.28", 40), ("1.33", 2), ("1.31", 9), ("odd", 1)])

    assert need.newest_seen == Observation(version_text="1.33", machines=2)
    assert need.target is None


def test_nothing_newer_seen_here_is_no_observation():
    assert need_of(FOLIO, (), (), [("1.28", 40), ("1.29", 3)]).newest_seen is None
