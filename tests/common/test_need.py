"""How a combination stands to its maker's releases, and what speaks for an update."""

from dataclasses import replace
from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from flashworthy_common.exceptions import ExceptionKind, SiteException
from flashworthy_common.need import (
    Need,
    Observation,
    Standing,
    need_of,
    need_of_machine,
    newest_seen,
)
from flashworthy_common.paths import NoPath
from flashworthy_common.reasons import Priority, ReasonKind, StatedReason
from flashworthy_common.releases import (
    Package,
    Release,
    ReleaseState,
    Requirements,
    is_of_running,
    speaks_for,
)
from flashworthy_common.symptoms import Symptom
from flashworthy_common.values import Unknown, from_json, to_json
from flashworthy_common.weighing import Weighing
from support.machines import FOLIO, HOLE, NOW, REVIEW

FAULT = StatedReason(
    kind=ReasonKind.FAULT,
    priority=Priority.SCHEDULED,
    says="wakes from sleep again",
    source="https://quillmark.example/folio-14/notes",
)
STATED_HOLE = StatedReason(
    kind=ReasonKind.SECURITY, says="closes a hole", source="https://quillmark.example/notes"
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


def an_exception(**changed):
    facts = {
        "kind": ExceptionKind.RISK_ACCEPTED,
        "machine_maker": "Quillmark",
        "models": ("Folio 14",),
        "version_text": "1.34",
        "reason": "the reading room is closed anyway",
        "owner": "Ida Fenwick",
        "until": NOW.date(),
    }
    return SiteException(**facts | changed)


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
    assert [(each.version_text, each.says) for each in need.reasons] == [
        ("1.31", HOLE.says),  # the most pressing in front
        ("1.34", FAULT.says),
    ]
    assert need.priority is Priority.OUT_OF_CYCLE
    assert need.path == ("1.29", "1.34")


def test_what_a_superseded_release_fixed_its_successor_fixes_too():
    releases = [release("1.31", HOLE, state=ReleaseState.SUPERSEDED), release("1.34")]

    need = need_of(running("1.29"), releases, ())

    assert need.target == releases[1]
    assert [each.says for each in need.reasons] == [HOLE.says]


def test_a_withdrawn_release_is_neither_a_target_nor_a_reason():
    releases = [release("1.31"), release("1.34", HOLE, state=ReleaseState.WITHDRAWN)]

    need = need_of(running("1.29"), releases, ())

    assert (need.target, need.reasons) == (releases[0], ())


def test_running_a_withdrawn_release_is_told():
    offers = [release("1.29", state=ReleaseState.WITHDRAWN, state_reason="loses its settings")]

    for others in ([], [release("1.28")], [release("1.34")]):
        need = need_of(FOLIO, [*offers, *others], ())
        assert need.because.endswith("; 1.29 was withdrawn: loses its settings")


def test_an_offer_that_cannot_be_ordered_is_told_beside_the_newest():
    offers = [release("1.34"), release("Q7 build of spring")]

    need = need_of(running("1.34"), offers, ())

    assert need.standing is Standing.CURRENT
    assert need.because == (
        "it runs 1.34, the newest on offer that can be ordered against it;"
        " not so Q7 build of spring"
    )


def test_nothing_newer_means_no_target_and_no_reason():
    need = need_of(running("1.34"), [release("1.34", HOLE)], ())

    assert (need.target, need.reasons, need.priority, need.path) == (None, (), None, ())


def test_a_release_speaks_for_its_maker_and_models_in_any_spelling():
    assert speaks_for(release("1.34", models=("folio  14",)), FOLIO)
    assert speaks_for(release("1.34", machine_maker="QUILLMARK Ltd."), FOLIO)
    assert speaks_for(release("1.34", models=("Desk 3", "QF14")), FOLIO)  # by its board
    assert not speaks_for(release("1.34", models=("Folio 15",)), FOLIO)
    assert not speaks_for(release("1.34", machine_maker="Brightloom"), FOLIO)


def package(version_text, **facts):
    return Package(
        **{"machine_maker": "Quillmark", "models": ("Folio 14*",), "version_text": version_text}
        | facts
    )


@pytest.mark.parametrize("stated", [package("1.29"), package("1.29", board_versions=("A",))])
def test_a_package_of_the_running_version_serves_every_machine_of_the_model(stated):
    assert is_of_running(stated, FOLIO)


@pytest.mark.parametrize(
    "stated",
    [
        package("1.31"),
        package("odd"),
        package("1.29", models=("Folio 15",)),
        package("1.29", board_versions=("B",)),
        package("1.29", machine_maker="Brightloom"),
    ],
)
def test_a_package_of_anything_else_does_not_serve(stated):
    assert not is_of_running(stated, FOLIO)
    assert not is_of_running(stated, replace(FOLIO, version_text=Unknown("not read")))


def test_a_nameless_machine_is_spoken_for_by_nobody():
    nameless = replace(FOLIO, model=Unknown("no name is given"), board=Unknown("no name is given"))

    assert not speaks_for(release("1.34", models=("Default string",)), nameless)


def test_the_latest_review_counts():
    older = replace(REVIEW, reviewed_at=NOW - timedelta(days=200), reviewed_by="Tom Arden")
    elsewhere = replace(REVIEW, models=("Folio 15",), reviewed_at=NOW)

    assert need_of(FOLIO, (), [older, REVIEW, elsewhere]).review == REVIEW
    assert need_of(FOLIO, (), [elsewhere]).review is None


def test_the_newest_version_seen_here_is_an_observation_never_a_target():
    assert newest_seen(FOLIO, ["1.28", "1.33", "1.31", "odd"]) == "1.33"
    assert need_of(FOLIO, (), ()).target is None


def test_nothing_newer_seen_here_is_no_observation():
    assert newest_seen(FOLIO, ["1.28", "1.29"]) is None
    assert newest_seen(replace(FOLIO, version_text=Unknown("not read")), ["1.2"]) is None


# ---- weight -----------------------------------------------------------------------------------


def test_a_stated_reason_without_a_priority_is_weighed_by_what_is_known():
    stated = replace(STATED_HOLE, advisories=("CVE-2026-11111",))
    exploited = Weighing(exploited=frozenset({"CVE-2026-11111"}))

    (reason,) = need_of(FOLIO, [release("1.34", stated)], (), weighing=exploited).reasons

    assert reason.priority is Priority.SCHEDULED  # active/controlled/no/medium
    assert "CVE-2026-11111 is known to be exploited" in reason.because


def test_a_fault_with_symptoms_is_no_reason_until_a_machine_shows_it():
    fault = replace(FAULT, symptoms=("screen stays dark",))
    need = need_of(FOLIO, [release("1.34", fault)], ())
    seen = Symptom(says="the screen stays dark", recorded_by="Tom Arden", recorded_at=NOW)
    other = replace(seen, says="keyboard is sticky")

    shows, does_not = (
        need_of_machine(need, machine_id=7, symptoms=[symptom]) for symptom in (seen, other)
    )

    assert (need.priority, does_not.priority) == (None, None)
    assert shows.priority is Priority.SCHEDULED
    assert shows.faults == ()
    assert shows.reasons[0].because == (
        "set by hand; this machine shows it: 'the screen stays dark' (Tom Arden)"
    )


# ---- path and way back ------------------------------------------------------------------------


def test_stepping_stones_stand_between_the_running_version_and_the_target():
    stone = release("1.31", can_go_back=False)
    target = release("1.34", requires=Requirements(firmware="1.31"))

    need = need_of(FOLIO, [target, stone], ())

    assert need.path == ("1.29", "1.31", "1.34")
    assert (need.stones, need.steps) == ((stone,), (stone, target))
    assert need.way_back.allowed is False


def test_a_target_without_a_path_stays_the_target_and_says_why():
    target = release("1.34", HOLE, requires=Requirements(firmware="1.31"))

    need = need_of(FOLIO, [target], ())

    assert (need.target, need.path, need.steps, need.way_back) == (target, (), (), None)
    assert need.no_path == NoPath(
        because="1.34 asks for 1.31 or newer first; no release that would serve is recorded"
    )


# ---- exceptions -------------------------------------------------------------------------------

TWO_HOLES = [
    release("1.31", replace(HOLE, advisories=("QM-1", "CVE-2026-11111"))),
    release("1.34", replace(HOLE, advisories=("QM-2",))),
]


def left_over(*exceptions, now=NOW):
    need = need_of(FOLIO, TWO_HOLES, (), exceptions=exceptions)
    return [reason.version_text for reason in need.reasons_left(now)]


def test_without_an_exception_every_reason_is_left():
    assert left_over() == ["1.31", "1.34"]


@pytest.mark.parametrize(
    ("changed", "left"),
    [
        ({"version_text": "1.34"}, ["1.31"]),
        ({"version_text": "1.30"}, ["1.31", "1.34"]),
        ({"version_text": "", "advisories": ("qm-2",)}, ["1.31"]),
        ({"version_text": "", "advisories": ("QM-1",)}, ["1.31", "1.34"]),  # one of two is open
        ({"version_text": "", "advisories": ("QM-1", "CVE-2026-11111")}, ["1.34"]),
        ({"kind": ExceptionKind.NOT_THIS_RELEASE}, []),
        ({"kind": ExceptionKind.NOT_THIS_RELEASE, "version_text": "1.33"}, ["1.31", "1.34"]),
        ({"models": ("Folio 15",)}, ["1.31", "1.34"]),
        ({"machine_ids": (7,)}, ["1.31", "1.34"]),  # one machine, not the combination
    ],
)
def test_an_exception_covers_what_it_names_and_nothing_else(changed, left):
    assert left_over(an_exception(**changed)) == left


def test_a_release_that_is_ruled_out_is_no_stepping_stone_either():
    stone = release("1.31")
    target = release("1.34", HOLE, requires=Requirements(firmware="1.31"))
    not_the_stone = an_exception(kind=ExceptionKind.NOT_THIS_RELEASE, version_text="1.31")

    need = need_of(FOLIO, [stone, target], (), exceptions=[not_the_stone])

    assert need.reasons_left(NOW) == ()


def test_a_release_that_is_ruled_out_stays_so_where_no_path_leads_to_it():
    target = release("1.34", HOLE, requires=Requirements(firmware="1.31"))
    not_it = an_exception(kind=ExceptionKind.NOT_THIS_RELEASE)

    assert need_of(FOLIO, [target], (), exceptions=[not_it]).reasons_left(NOW) == ()


def test_an_exception_ends_by_itself_after_its_last_day():
    exception = an_exception(kind=ExceptionKind.NOT_THIS_RELEASE)

    assert left_over(exception, now=exception.ends_at - timedelta(seconds=1)) == []
    assert left_over(exception, now=exception.ends_at) == ["1.31", "1.34"]


def test_an_exception_for_one_machine_covers_it_alone():
    need = need_of(FOLIO, TWO_HOLES, ())
    for_seven = an_exception(kind=ExceptionKind.NOT_THIS_RELEASE, machine_ids=(7,))

    seven, eight = (
        need_of_machine(need, machine_id=machine_id, exceptions=[for_seven, an_exception()])
        for machine_id in (7, 8)
    )

    assert (seven.exceptions, seven.reasons_left(NOW)) == ((for_seven,), ())
    assert (eight.exceptions, len(eight.reasons_left(NOW))) == ((), 2)


def test_an_exception_stands_beside_a_running_version_that_is_missing_too():
    missing = running(Unknown("permission denied"))

    assert need_of(missing, (), (), exceptions=[an_exception()]).exceptions == (an_exception(),)


# ---- properties -------------------------------------------------------------------------------

KNOWN = [
    release("1.20", FAULT),
    release("1.30", replace(FAULT, symptoms=("fan hums",))),
    release("1.31", STATED_HOLE, STATED_HOLE, minutes=20),
    release("1.32", minutes=20),
    release("1.33", FAULT, state=ReleaseState.WITHDRAWN, state_reason="loses settings"),
    release("1.34", FAULT, requires=Requirements(firmware="1.31")),
    release("Q7 build of spring", STATED_HOLE),
    release("1.40", STATED_HOLE, models=("Folio 15",)),
]
REVIEWS = [
    REVIEW,
    replace(REVIEW, reviewed_by="Tom Arden"),  # at the same time
    replace(REVIEW, reviewed_at=NOW - timedelta(days=200)),
]
EXCEPTIONS = [an_exception(), an_exception(owner="Tom Arden"), an_exception(until=date(2027, 1, 1))]
HERE = ["1.28", "1.33", "1.31", "odd"]


@given(st.randoms(), st.sampled_from(["1.20", "1.29", "1.31", "1.34", "odd"]))
def test_the_order_in_which_things_were_recorded_does_not_matter(random, version_text):
    releases, reviews, exceptions, here = (
        random.sample(known, len(known)) for known in (KNOWN, REVIEWS, EXCEPTIONS, HERE)
    )

    need = need_of(running(version_text), releases, reviews, exceptions=exceptions)

    assert need == need_of(running(version_text), KNOWN, REVIEWS, exceptions=EXCEPTIONS)
    assert newest_seen(running(version_text), here) == newest_seen(running(version_text), HERE)


def test_a_need_survives_json():
    for version_text in ("1.29", "1.34", "odd", Unknown("permission denied")):
        need = need_of(running(version_text), KNOWN, REVIEWS, exceptions=EXCEPTIONS)
        seen = Observation(version_text="1.35", machines=2, since=NOW)
        need = replace(need, newest_seen=seen)

        problems = []
        assert from_json(Need, to_json(need), problems) == need
        assert problems == []


@pytest.mark.parametrize(
    ("version_text", "because"),
    [
        ("4.6.5", "'4.6.5' is a core number, not a release"),
        ("Default string", "'Default string' is a placeholder, not a release"),
        ("build of spring", "'build of spring' fits no known scheme"),
        ("Folio 14", "'Folio 14' only repeats the model's name"),
    ],
)
def test_an_unreadable_version_is_named_for_what_it_is(version_text, because):
    assert need_of(running(version_text), (), ()).because == because
