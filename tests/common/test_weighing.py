"""How much a reason weighs, and whether the answer says why."""

from dataclasses import fields, replace

import pytest

from flashworthy_common.reasons import Priority, ReasonKind, StatedReason, highest
from flashworthy_common.ssvc import Exploitation, Exposure, HumanImpact
from flashworthy_common.weighing import Advisory, SiteInputs, Weighing, weigh

HOLE = StatedReason(
    kind=ReasonKind.SECURITY,
    says="closes a hole",
    source="https://quillmark.example/notes",
    advisories=("CVE-2026-11111", "QM-2026-07"),
)
# A site where work may cost an essential function: active comes out as out-of-cycle there.
HIGH_IMPACT = SiteInputs(human_impact=HumanImpact.HIGH)


def test_a_priority_set_by_hand_wins_and_says_so():
    reason = weigh(
        replace(HOLE, priority=Priority.DEFER),
        "1.34",
        Weighing(inputs=HIGH_IMPACT, exploited=frozenset({"CVE-2026-11111"})),
    )

    assert (reason.priority, reason.because) == (Priority.DEFER, "set by hand")


def test_a_known_exploited_hole_is_weighed_as_active():
    by = Weighing(inputs=HIGH_IMPACT, exploited=frozenset({"CVE-2026-11111"}))

    reason = weigh(HOLE, "1.34", by)

    assert reason.priority is Priority.OUT_OF_CYCLE
    assert reason.because == (
        "SSVC deployer tree 1.0.0: exploitation active (CVE-2026-11111 is known to be exploited),"
        " system exposure controlled (site), automatable no (site), human impact high (site)"
    )


def test_not_being_listed_proves_nothing_and_no_list_is_told():
    inputs = SiteInputs(exposure=Exposure.SMALL)  # none/small/no/medium: defer

    listed = weigh(HOLE, "1.34", Weighing(inputs=inputs, exploited=frozenset({"CVE-2020-1111"})))
    without = weigh(HOLE, "1.34", Weighing(inputs=inputs))

    assert listed.priority is without.priority is Priority.DEFER
    assert "exploitation none (none known of CVE-2026-11111)," in listed.because
    assert "none known of CVE-2026-11111, and no list of exploited ones is recorded" in (
        without.because
    )


def test_a_severity_is_told_and_never_weighed():
    severe = Advisory(id="CVE-2026-11111", severity="8.2 High")
    one = replace(HOLE, advisories=("CVE-2026-11111",))

    told, untold = weigh(one, "1.34", Weighing(advisories={severe.id: severe})), weigh(one, "1.34")

    assert told.because == f"{untold.because}; severity 8.2 High (told, not weighed)"
    assert told.priority is untold.priority


def test_the_worst_advisory_decides_and_its_own_facts_outrank_the_sites():
    worm = Advisory(id="QM-2026-07", exploitation=Exploitation.PUBLIC_POC, automatable=True)
    by = Weighing(inputs=SiteInputs(human_impact=HumanImpact.VERY_HIGH), advisories={worm.id: worm})

    reason = weigh(HOLE, "1.34", by)

    assert reason.priority is Priority.OUT_OF_CYCLE  # public poc/controlled/yes/very high
    assert "exploitation public poc (stated for QM-2026-07)" in reason.because
    assert "automatable yes (QM-2026-07)" in reason.because


def test_being_exploited_outranks_what_an_older_statement_says():
    stale = Advisory(id="CVE-2026-11111", exploitation=Exploitation.NONE)
    by = Weighing(advisories={stale.id: stale}, exploited=frozenset({stale.id}))

    assert "exploitation active" in weigh(HOLE, "1.34", by).because


def test_a_hole_without_an_advisory_is_weighed_with_none_named():
    assert "exploitation none (no advisory is named)" in (
        weigh(replace(HOLE, advisories=()), "1.34").because
    )


@pytest.mark.parametrize(
    ("kind", "field", "removes"),
    [
        (ReasonKind.FAULT, "fault", "or the fault is no longer seen"),
        (ReasonKind.REQUIRED, "required", "or nothing requires it any more"),
        (ReasonKind.MAKER_ORDER, "maker_order", "or its maker takes the order back"),
        (ReasonKind.SITE_ORDER, "site_order", "or the site takes the order back"),
    ],
)
def test_other_kinds_have_the_priority_that_the_site_sets(kind, field, removes):
    stated = replace(HOLE, kind=kind, advisories=())
    by = Weighing(inputs=SiteInputs(**{field: Priority.IMMEDIATE}))

    reason = weigh(stated, "1.34", by)

    assert reason.priority is Priority.IMMEDIATE
    assert reason.ends_when == f"ends when 1.34 or later runs, {removes}"


def test_a_weighed_reason_keeps_what_was_stated_and_names_its_release():
    reason = weigh(HOLE, "1.34")

    assert (reason.says, reason.source, reason.advisories) == (
        HOLE.says,
        HOLE.source,
        HOLE.advisories,
    )
    assert reason.version_text == "1.34"


def test_every_input_of_the_site_says_where_its_default_comes_from_and_why():
    for each in fields(SiteInputs):
        assert each.metadata["source"], each.name
        assert each.metadata["why"], each.name


def test_the_highest_priority_passes_over_reasons_that_have_none():
    deferred = replace(HOLE, priority=Priority.DEFER)

    assert highest([HOLE, deferred]) is Priority.DEFER
    assert highest([HOLE]) is None
