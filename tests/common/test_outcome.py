"""The outcome: right for every set of answers, total, and monotone."""

import itertools
from dataclasses import fields, replace
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from flashworthy_common.confirmations import Confirmed
from flashworthy_common.need import Need, Standing
from flashworthy_common.paths import WayBack
from flashworthy_common.policy import DEFAULT_POLICY
from flashworthy_common.present import sentence
from flashworthy_common.readiness import (
    CHECKS,
    Answer,
    Check,
    Moment,
    Outcome,
    assess,
    assess_in_brief,
)
from flashworthy_common.readiness.outcome import NEED as NEED_CODES
from flashworthy_common.readiness.outcome import outcome_of
from flashworthy_common.report import (
    SECTIONS,
    BootMode,
    EsrtEntry,
    PendingUpdates,
    ProtectorKind,
    Report,
    Section,
    Session,
    section_from_json,
)
from flashworthy_common.values import Unknown
from support.machines import (
    BATTERY,
    FIT_REPORT,
    NEED,
    NOW,
    PLAIN_VOLUME,
    PORTABLE,
    READY_UPS,
    SEALED_VOLUME,
    SERVER,
    TARGET,
    a_desktop,
    a_machine,
    confirmed,
    verdict_of,
)

PASS, FIX, STOP, UNKNOWN = Answer.PASS, Answer.FIX, Answer.STOP, Answer.UNKNOWN


def code_of(check):
    return check.code


def check(code, answer):
    return Check(code=code, title=code, answer=answer, says="")


# The table of the design, row by row, over every set of answers of six representative checks.
CODES = ("scope.virtual", "scope.with_os", "scope.marked",
         "need.reviewed", "need.reason", "power.mains")  # fmt: skip


def expected(virtual, with_os, marked, reviewed, reason, power):
    if STOP in (virtual, with_os):
        return Outcome.LEAVE
    if marked is STOP:
        return Outcome.HOLD
    if UNKNOWN in (reviewed, reason):
        return Outcome.UNDECIDED
    if STOP in (reviewed, reason):
        return Outcome.LEAVE
    if power is STOP:
        return Outcome.HOLD
    anything = {virtual, with_os, marked, reviewed, reason, power} - {PASS}
    return Outcome.PREPARE if anything else Outcome.CLEAR


def test_every_set_of_answers_gives_the_outcome_of_the_table():
    for answers in itertools.product(Answer, repeat=len(CODES)):
        checks = [check(code, answer) for code, answer in zip(CODES, answers, strict=True)]

        assert outcome_of(checks) is expected(*answers), answers


@pytest.mark.parametrize("group", ["prerequisites", "power", "evidence"])
def test_every_set_of_answers_within_a_group_goes_by_its_worst(group):
    for count in range(5):
        for answers in itertools.product(Answer, repeat=count):
            checks = [check(f"{group}.{n}", answer) for n, answer in enumerate(answers)]
            worst = Outcome.CLEAR
            if FIX in answers or UNKNOWN in answers:
                worst = Outcome.PREPARE
            if STOP in answers:
                worst = Outcome.HOLD
            assert outcome_of(checks) is worst


def test_codes_are_stable_and_the_functions_are_named_after_them():
    # Programs and people refer to codes: one is added, never renamed.
    codes = [f"{ask.__module__.rpartition('.')[2]}.{ask.__name__}" for ask in CHECKS]

    assert codes == [
        *("scope.virtual", "scope.with_os", "scope.marked", "scope.kind"),
        *("need.readable", "need.reviewed", "need.reason", "need.exception"),
        "need.release_age",
        *("path.steps", "path.floor", "path.order_code", "path.way"),
        *("prerequisites.os_build", "prerequisites.installed"),
        *("prerequisites.restart_pending", "prerequisites.update_queued"),
        *("prerequisites.installer", "prerequisites.os_updates", "prerequisites.free_space"),
        "prerequisites.last_attempt",
        *("power.mains", "power.charge", "power.wear", "power.drain", "power.ups"),
        *("way_back.going_back", "way_back.package", "way_back.settings"),
        *("protection.encryption", "protection.recovery_key"),
        *("protection.suspended", "protection.other_key"),
        *("people.sessions", "people.remote"),
        *("evidence.report_age", "evidence.power_age", "evidence.people_age"),
        *("evidence.clock", "evidence.plan", "evidence.probes"),
    ]
    asked = {check.code for check in (*verdict_of().checks, *verdict_of(a_desktop()).checks)}
    not_asked_of_these = {
        "scope.with_os",
        *("evidence.plan", "need.exception", "path.order_code", "way_back.settings"),
        *("prerequisites.os_build", "prerequisites.installed"),
        *("protection.recovery_key", "protection.suspended", "protection.other_key"),
    }
    assert asked == set(codes) - not_asked_of_these
    assert set(codes) >= NEED_CODES


# ---- total -------------------------------------------------------------------------------------

JSON = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(2**70), 2**70)
    | st.floats(allow_nan=True)
    | st.text(max_size=20)
    | st.sampled_from(["2026-05-04T09:58:00Z", "1.34", "uefi", "charging", "OL"]),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner),
    max_leaves=8,
)


def any_section(name: str) -> st.SearchStrategy[Section]:
    names = [field.name for field in fields(SECTIONS[name])]
    data = JSON | st.dictionaries(st.sampled_from(names), JSON)
    return data.map(lambda raw: section_from_json(name, raw, []))


ANY_REPORT: st.SearchStrategy[Report] = st.builds(
    lambda sections: replace(FIT_REPORT, **sections),
    st.fixed_dictionaries({name: any_section(name) for name in SECTIONS}),
)


@given(report=ANY_REPORT, moment=st.sampled_from(Moment), hours=st.integers(-48, 24 * 400))
def test_any_stored_report_gives_a_verdict(report, moment, hours):
    machine = replace(a_machine(), report=report)

    verdict = verdict_of(machine, moment=moment, now=NOW + timedelta(hours=hours))

    assert verdict.outcome in Outcome


@given(
    report=ANY_REPORT | st.just(FIT_REPORT),
    need=st.deferred(lambda: st.sampled_from(NEEDS)),
    mark=st.deferred(lambda: st.sampled_from(MARKS)),
    moment=st.sampled_from(Moment),
)
def test_a_verdict_in_brief_says_the_same_and_holds_no_shorter(report, need, mark, moment):
    machine = replace(a_machine(marked=mark), report=report)
    whole = assess(machine, need, DEFAULT_POLICY, moment, NOW)

    brief = assess_in_brief(machine, need, DEFAULT_POLICY, moment, NOW)

    assert (brief.outcome, sentence(brief)) == (whole.outcome, sentence(whole))
    assert set(map(code_of, brief.checks)) <= set(map(code_of, whole.checks))
    never = datetime.max.replace(tzinfo=UTC)
    assert (brief.holds_until or never) >= (whole.holds_until or never)


def test_a_machine_to_be_left_alone_is_asked_nothing_more():
    no_reason = replace(NEED, reasons=())

    brief = assess_in_brief(a_machine(), no_reason, DEFAULT_POLICY, Moment.DESK, NOW)

    assert brief.outcome is Outcome.LEAVE
    assert {check.group for check in brief.checks} == {"scope", "need"}


# ---- monotone ----------------------------------------------------------------------------------

NOT_SEEN = Unknown("not seen")


def an_attempt(*, status):
    """The last attempt on the system firmware, UEFI §23.4."""
    return EsrtEntry(
        firmware_class="0b8f7d3c-1e2a-4f66-9c0d-5a7e21c4b902",
        firmware_type=1,
        version=10,
        last_attempt_version=11,
        last_attempt_status=status,
    )


# Each fact from best to worst; a step to the right must never make the outcome better.
FACTS = {
    ("machine", "chassis_type"): [PORTABLE, NOT_SEEN, SERVER],
    ("machine", "virtual"): [False, NOT_SEEN, True],
    ("software", "restart_pending"): [(), NOT_SEEN, ("a restart is pending",)],
    ("software", "system_free_bytes"): [40_000_000_000, NOT_SEEN, 1],
    ("software", "pending_updates"): [PendingUpdates(count=0), NOT_SEEN],
    ("people", "installers"): [(), NOT_SEEN, ("a package manager",)],
    ("protection", "volumes"): [
        (PLAIN_VOLUME,),
        (replace(SEALED_VOLUME, suspended_restarts=NOT_SEEN, protector=ProtectorKind.BOTH),),
        (replace(SEALED_VOLUME, suspended_restarts=NOT_SEEN),),
    ],
    ("people", "sessions"): [
        (),
        (Session(user="reader", remote=False),),
        (Session(user="reader", remote=False), Session(user="helpdesk", remote=True)),
    ],
    ("people", "seen_at"): [NOW, NOW - timedelta(hours=1), NOW - timedelta(days=2), NOT_SEEN],
    ("firmware", "update_queued"): [(), NOT_SEEN, ("a capsule file",)],
    ("firmware", "comes_with_os"): [False, NOT_SEEN, True],
    ("firmware", "boot_mode"): [BootMode.UEFI],
    ("firmware", "esrt"): [(), (an_attempt(status=6),), (an_attempt(status=5),)],
    ("power", "mains"): [True, NOT_SEEN, False],
    ("power", "batteries"): [
        (BATTERY,),
        (replace(BATTERY, percent=NOT_SEEN),),
        (replace(BATTERY, percent=4.0),),
        (replace(BATTERY, percent=4.0, state="discharging"),),
        (replace(BATTERY, percent=4.0, state="discharging", full_mwh=9.0),),
    ],
    ("power", "seen_at"): [NOW, NOW - timedelta(hours=1), NOW - timedelta(days=2), NOT_SEEN],
    ("power", "ups"): [(READY_UPS,), NOT_SEEN, (replace(READY_UPS, status_text="OB LB"),)],
}
MARKS = ["", "patient monitor"]
CLOCKS = [0, NOT_SEEN, 4_000]
NEEDS = [
    NEED,
    replace(NEED, review=None),
    replace(NEED, reasons=()),
    Need(running=NOT_SEEN, standing=Standing.UNREADABLE, because="no firmware version"),
    replace(
        NEED,
        target=replace(TARGET, resets_settings=True),
        way_back=WayBack(allowed=False, says="nothing older can be put back", package_of="1.29"),
    ),
]
WORDS = (
    confirmed(Confirmed.RECOVERY_KEY, "7f3a-11c0"),
    confirmed(Confirmed.SETTINGS_WRITTEN_DOWN, "1.29"),
    confirmed(Confirmed.USER_INFORMED, "1.34"),
    confirmed(Confirmed.NO_WAY_BACK, "1.34"),
    confirmed(Confirmed.UPS_READY),
)
# How near the flash an outcome lets one go; holding, leaving and looking first are all *no*.
RANK = {
    Outcome.CLEAR: 0,
    Outcome.PREPARE: 1,
    Outcome.HOLD: 2,
    Outcome.LEAVE: 2,
    Outcome.UNDECIDED: 2,
}


def outcome_at(levels, mark, clock, need, moment, *, words=WORDS, packages=("1.29",)):
    sections: dict[str, dict[str, object]] = {}
    for (section, name), level in levels.items():
        sections.setdefault(section, {})[name] = FACTS[section, name][level]
    machine = a_machine(
        marked=mark,
        clock_difference_seconds=clock,
        confirmations=words,
        packages=packages,
        **sections,
    )
    return verdict_of(machine, need, moment=moment).outcome


@given(data=st.data(), moment=st.sampled_from(Moment), need=st.sampled_from(NEEDS))
def test_a_worse_fact_never_makes_the_outcome_better(data, moment, need):
    levels = {fact: data.draw(st.integers(0, len(worse) - 1)) for fact, worse in FACTS.items()}
    mark, clock = data.draw(st.sampled_from(MARKS)), data.draw(st.sampled_from(CLOCKS))
    fact = data.draw(st.sampled_from([f for f in FACTS if levels[f] + 1 < len(FACTS[f])] or [None]))
    worse_levels = levels if fact is None else levels | {fact: levels[fact] + 1}

    before = outcome_at(levels, mark, clock, need, moment)
    after = outcome_at(worse_levels, mark, clock, need, moment)
    marked = outcome_at(levels, MARKS[-1], clock, need, moment)
    clock_off = outcome_at(levels, mark, CLOCKS[-1], need, moment)
    fewer_words = tuple(data.draw(st.lists(st.sampled_from(WORDS), unique=True)))
    less_confirmed = outcome_at(levels, mark, clock, need, moment, words=fewer_words)
    without_package = outcome_at(levels, mark, clock, need, moment, packages=())

    assert RANK[after] >= RANK[before]
    assert RANK[marked] >= RANK[before]
    assert RANK[clock_off] >= RANK[before]
    assert RANK[less_confirmed] >= RANK[before]
    assert RANK[without_package] >= RANK[before]


@given(data=st.data(), need=st.sampled_from(NEEDS))
def test_the_spot_is_never_easier_than_the_desk(data, need):
    levels = {fact: data.draw(st.integers(0, len(worse) - 1)) for fact, worse in FACTS.items()}

    at_the_desk = outcome_at(levels, "", 0, need, Moment.DESK)
    on_the_spot = outcome_at(levels, "", 0, need, Moment.SPOT)

    assert RANK[on_the_spot] >= RANK[at_the_desk]
