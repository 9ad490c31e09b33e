"""A visit as it is foreseen: what it takes, in which order, with what in the bag, and its end."""

import itertools
from dataclasses import replace
from datetime import timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from flashworthy_common.aftermath import Aftermath, Result
from flashworthy_common.confirmations import Confirmed
from flashworthy_common.policy import DEFAULT_POLICY
from flashworthy_common.readiness import Answer, Outcome
from flashworthy_common.releases import Way
from flashworthy_common.report import Session, Source
from flashworthy_common.visits.foresee import foresee
from flashworthy_common.visits.lists import (
    Item,
    KeptFile,
    PlannedMachine,
    to_bring,
    to_do_before,
    to_tell,
)
from flashworthy_common.visits.message import Announcement, message_text
from flashworthy_common.visits.order import schedule
from flashworthy_common.visits.place_rules import PlaceRule, place_by_rules, problem_of
from flashworthy_common.visits.progress import (
    Evidence,
    Progress,
    SeenFlash,
    Standing,
    State,
    Word,
    is_over,
    standing_of,
    state_of,
)
from flashworthy_common.visits.work import AFTER, LOOK, REMEDY, Step, Work, with_margin, work_of
from support.machines import (
    NEED,
    NOW,
    SEALED_VOLUME,
    TARGET,
    a_desktop,
    a_machine,
    answer_of,
    confirmed,
    verdict_of,
)

IN_THREE_DAYS = NOW + timedelta(days=3)
ON_BATTERY = {"mains": False}
STONE = replace(TARGET, version_text="1.31", minutes=10)
TWO_STEPS = replace(NEED, path=("1.29", "1.31", "1.34"), stones=(STONE,))


def foreseen(machine=None, need=NEED, *, at=IN_THREE_DAYS, policy=DEFAULT_POLICY):
    return foresee(machine or a_machine(), need, policy, now=NOW, at=at)


def planned(machine=None, need=NEED, *, id=1, name="reading-room-4", **more):
    found = foreseen(machine, need, at=NOW)
    return PlannedMachine(id=id, name=name, foreseen=found, policy=DEFAULT_POLICY, **more)


# ---- the verdict as it will probably be --------------------------------------------------------


def test_a_machine_that_reports_by_itself_is_foreseen_with_evidence_as_fresh_as_now():
    assert foreseen().outcome is Outcome.CLEAR
    assert foreseen().holds_until == NOW + timedelta(hours=4) - timedelta(minutes=2)


@pytest.mark.parametrize(
    "changes",
    [{"source": Source.PERSON}, {"taken_at": NOW - timedelta(days=2)}],
    ids=["a person's word", "late already"],
)
def test_evidence_that_will_not_renew_itself_will_be_old(changes):
    machine = a_machine()
    machine = replace(machine, report=replace(machine.report, **changes))

    assert answer_of("evidence.report_age", foreseen(machine).verdict) is Answer.UNKNOWN


def test_a_word_of_today_will_not_be_believed_at_a_later_visit():
    people = {"sessions": (Session(user="reader", remote=False),)}
    informed = confirmed(Confirmed.USER_INFORMED, "1.34")
    found = foreseen(a_machine(people=people, confirmations=(informed,)))

    assert (found.outcome_now, found.outcome) == (Outcome.CLEAR, Outcome.PREPARE)
    assert found.changes == ("who is using it: reader",)


def test_a_release_that_is_too_young_today_is_old_enough_later():
    young = replace(NEED, target=replace(TARGET, released_on=NOW.date() - timedelta(days=12)))
    policy = replace(DEFAULT_POLICY, waiving_priority=NEED.reasons[0].priority.IMMEDIATE)

    assert foreseen(need=young, policy=policy, at=NOW).outcome is not Outcome.CLEAR
    assert foreseen(need=young, policy=policy).outcome is Outcome.CLEAR


# ---- minutes -----------------------------------------------------------------------------------


def test_a_clear_machine_takes_a_look_its_flash_and_a_look_after():
    work = work_of(1, verdict_of(), DEFAULT_POLICY)

    assert work.minutes == LOOK + 25 + AFTER


def test_each_step_of_a_path_takes_its_own_minutes_and_a_look_before_it():
    work = work_of(1, verdict_of(need=TWO_STEPS), DEFAULT_POLICY)

    assert work.minutes == LOOK + 10 + LOOK + 25 + AFTER


def test_a_release_that_does_not_say_takes_what_policy_assumes():
    need = replace(NEED, target=replace(TARGET, minutes=None))

    assert work_of(1, verdict_of(need=need), DEFAULT_POLICY).minutes == LOOK + 20 + AFTER


def test_what_is_mended_on_the_spot_takes_hands_and_what_charges_takes_time():
    battery = a_machine().report.power.batteries[0]
    low = a_machine(power={"mains": False, "batteries": (replace(battery, percent=20.0),)})

    preparation, waiting, *_ = work_of(1, verdict_of(low), DEFAULT_POLICY).steps

    assert preparation == Step("plug in the adapter; let its battery charge", 2 * REMEDY)
    assert (waiting.minutes, waiting.needs_hands) == (40, False)


def test_what_the_desk_mends_takes_no_time_on_the_spot():
    assert work_of(1, verdict_of(a_machine(packages=())), DEFAULT_POLICY).minutes == 35


def test_a_machine_on_hold_takes_no_time():
    queued = a_machine(firmware={"update_queued": ("a capsule",)})

    assert work_of(1, verdict_of(queued), DEFAULT_POLICY).steps == ()


@pytest.mark.parametrize(("minutes", "with_it"), [(0, 0), (10, 20), (50, 60), (101, 122)])
def test_the_margin_is_a_fifth_and_ten_minutes_at_least(minutes, with_it):
    assert with_margin(minutes) == with_it


# ---- order -------------------------------------------------------------------------------------


def a_work(number, hands, alone):
    return Work(number, (Step("look", hands), Step("it is written", alone, needs_hands=False)))


def test_while_one_machine_is_written_the_next_is_looked_after():
    found = schedule([a_work(1, 5, 20), a_work(2, 5, 40)])

    assert found.machine_ids == (2, 1)
    assert found.minutes == 45


# Three jobs by hand: largest delivery time first, C = max over jobs of start + hands + alone.
def test_the_schedule_of_a_worked_example():
    found = schedule([a_work(1, 10, 5), a_work(2, 5, 30), a_work(3, 15, 20)])

    assert [(slot.machine_id, slot.begins, slot.ends) for slot in found.slots] == [
        (2, 0, 5),
        (2, 5, 35),
        (3, 5, 20),
        (3, 20, 40),
        (1, 20, 30),
        (1, 30, 35),
    ]


@given(st.lists(st.tuples(st.integers(1, 30), st.integers(0, 60)), min_size=1, max_size=6))
def test_no_order_is_over_earlier(jobs):
    """Jackson's rule, 1 || Lmax in delivery times, held against every permutation."""
    best = min(
        max(
            sum(hands for hands, _ in order[: count + 1]) + order[count][1]
            for count in range(len(order))
        )
        for order in itertools.permutations(jobs)
    )
    found = schedule([a_work(number, *job) for number, job in enumerate(jobs)])

    assert found.minutes == best


@given(
    st.lists(
        st.lists(st.tuples(st.integers(1, 20), st.integers(0, 60)), min_size=1, max_size=3),
        max_size=6,
    )
)
def test_hands_are_at_one_machine_at_a_time_and_steps_keep_their_order(machines):
    works = [
        Work(
            number,
            tuple(
                step
                for hands, alone in steps
                for step in (Step("look", hands), Step("wait", alone, needs_hands=False))
            ),
        )
        for number, steps in enumerate(machines)
    ]
    found = schedule(works)

    by_hand = [slot for slot in found.slots if slot.step.needs_hands]
    assert all(a.ends <= b.begins for a, b in itertools.pairwise(by_hand))
    for work in works:
        own = [slot for slot in found.slots if slot.machine_id == work.machine_id]
        assert tuple(slot.step for slot in own) == work.steps
        assert all(a.ends <= b.begins for a, b in itertools.pairwise(own))
    assert found.minutes <= sum(work.minutes for work in works)


# ---- lists -------------------------------------------------------------------------------------


def test_a_thing_stands_once_with_the_machines_that_it_is_for():
    machines = [
        planned(a_machine(power=ON_BATTERY), id=1, name="reading-room-4"),
        planned(a_machine(power=ON_BATTERY), id=2, name="desk-2"),
    ]

    found = to_bring(machines, schedule([each.work for each in machines]))

    assert found == (Item("its adapter", ("reading-room-4", "desk-2")),)


def test_a_ups_is_counted_by_how_many_are_written_at_the_same_time():
    machines = [planned(a_desktop(ups=()), id=number, name=f"desk-{number}") for number in (1, 2)]

    (found,) = to_bring(machines, schedule([each.work for each in machines]))

    assert found == Item("a UPS", ("desk-1", "desk-2"), ("2 at a time",))


def test_boot_media_are_named_with_the_package_that_goes_on_them():
    need = replace(NEED, target=replace(TARGET, ways=(Way.BOOT_MEDIA,)))
    kept = KeptFile("1.34", "folio-14-1.34.img", "9f86d081")

    (media,) = to_bring([planned(need=need, files=(kept,))], schedule([]))
    (without,) = to_bring([planned(need=need)], schedule([]))

    assert media.what == "boot media with 1.34"
    assert media.notes == ("folio-14-1.34.img, SHA-256 9f86d081",)
    assert without.notes == (
        "no package of it is kept: fetch it from its maker, and keep it with its digest",
    )


def test_nothing_is_brought_for_a_machine_that_is_not_flashed():
    queued = a_machine(power=ON_BATTERY, firmware={"update_queued": ("a capsule",)})

    assert to_bring([planned(queued)], schedule([])) == ()


def test_a_coin_cell_is_a_spare_for_a_clock_that_went_back():
    (found,) = to_bring([planned(attention=("clock-reset",))], schedule([]))

    assert found.what == "a coin cell of the kind that its board takes: its clock went back"


def test_what_the_desk_must_do_names_what_is_missing():
    sealed = a_machine(protection={"volumes": (SEALED_VOLUME,)}, packages=())

    found = {item.what: item.notes for item in to_do_before([planned(sealed)])}

    assert found == {
        "Prove that its recovery key can be read, and confirm it": (
            "recovery key: not confirmed for protector 7f3a-11c0",
        ),
        "Keep the package of 1.29": ("package of the running version: no package of 1.29 is kept",),
    }


def test_what_holds_a_machine_back_is_work_for_the_desk():
    queued = planned(a_machine(firmware={"update_queued": ("a capsule",)}))

    assert [item.what for item in to_do_before([queued])] == [
        "Find out what it is before any restart"
    ]


def test_who_uses_a_machine_is_told_by_name_where_it_is_known():
    reader = Session(user="reader", remote=False)
    machines = [planned(sessions=(reader,)), planned(id=2, name="desk-2")]

    assert to_tell(machines) == (
        Item("reader", ("reading-room-4",)),
        Item("whoever uses it", ("desk-2",)),
    )


def test_the_text_for_the_people_concerned_says_what_when_and_what_to_do():
    text = message_text(
        Announcement(
            place="Elmford",
            window="Monday 4 May 2026, 10:00 to 11:30 (Europe/London)",
            technician="Tom Arden",
            machines=("desk-1", "desk-2"),
            longest_minutes=35,
        )
    )

    for part in (
        "Elmford",
        "desk-2",
        "10:00 to 11:30",
        "35 minutes",
        "save your work",
        "plugged in",
    ):
        assert part in text
    assert max(map(len, text.splitlines())) <= 98  # RFC 5322 §2.1.1: 998 at most, 78 advised


# ---- what came of it ---------------------------------------------------------------------------

WORD = Word("the reader needs it today", "Tom Arden", NOW)


def evidence(**known):
    usual = {
        "outcome": Outcome.PREPARE,
        "running_text": "1.29",
        "from_text": "1.29",
        "target_text": "1.34",
    }
    return Evidence(**usual | known)


def a_flash(result=None, *, alarm_at=None, started_at=NOW):
    found = Aftermath(result, "what its report says") if result else None
    return SeenFlash(
        to_text="1.34", by="Tom Arden", started_at=started_at, found=found, alarm_at=alarm_at
    )


@pytest.mark.parametrize(
    ("result", "progress"),
    [
        (Result.DONE, Progress.DONE),
        (Result.NEXT_STEP, Progress.NEXT_STEP),
        (Result.UNCHANGED, Progress.NOT_UPDATED),
        (Result.ANOTHER, Progress.NOT_UPDATED),
        (Result.OLDER, Progress.NOT_UPDATED),
        (None, Progress.UNDER_WAY),
    ],
)
def test_the_machines_own_report_says_what_came_of_it(result, progress):
    assert state_of(evidence(flash=a_flash(result)), NOW).progress is progress


def test_a_word_never_stands_against_a_report():
    known = evidence(flash=a_flash(Result.DONE), could_not=WORD)

    assert state_of(known, NOW).progress is Progress.DONE


def test_a_flash_that_nobody_noted_is_seen_by_the_target_that_runs():
    assert state_of(evidence(running_text="1.34"), NOW) == State(
        Progress.DONE, "runs 1.34, though no flash was noted"
    )


def test_why_it_could_not_be_done_decides_where_nothing_was_started():
    assert state_of(evidence(could_not=WORD), NOW) == State(
        Progress.COULD_NOT, "the reader needs it today (Tom Arden)"
    )


def test_silence_after_a_flash_is_not_decided_by_a_word():
    known = evidence(flash=a_flash(alarm_at=NOW), could_not=WORD, reported_at=NOW)
    state = state_of(known, NOW)

    assert (state.progress, state.is_decided) == (Progress.SILENT, False)
    assert "the reader needs it today" in state.says


def test_a_started_flash_of_which_nothing_came_may_be_given_up_once_the_machine_was_heard_of():
    known = evidence(flash=a_flash(), could_not=WORD, reported_at=NOW + timedelta(minutes=5))

    assert state_of(known, NOW).progress is Progress.COULD_NOT


def test_a_machine_to_leave_alone_is_decided_and_one_on_hold_is_not():
    assert state_of(evidence(outcome=Outcome.LEAVE), NOW).is_decided
    assert not state_of(evidence(outcome=Outcome.HOLD), NOW).is_decided


WINDOW = {"begins_at": NOW, "ends_at": NOW + timedelta(hours=1)}
WAITS, DONE, LEFT = (State(each) for each in (Progress.WAITS, Progress.DONE, Progress.LEFT_ALONE))


@pytest.mark.parametrize(
    ("states", "hours", "standing"),
    [
        ([WAITS], -1, Standing.PLANNED),
        ([DONE, WAITS], -1, Standing.UNDER_WAY),
        ([WAITS], 0.5, Standing.UNDER_WAY),
        ([WAITS], 2, Standing.UNFINISHED),
    ],
)
def test_how_a_visit_stands(states, hours, standing):
    assert standing_of(states, **WINDOW, now=NOW + timedelta(hours=hours)) is standing


@pytest.mark.parametrize(
    ("states", "hours", "over"),
    [([DONE, LEFT], -1, True), ([LEFT], -1, False), ([LEFT], 0, True), ([DONE, WAITS], 2, False)],
)
def test_a_visit_is_over_when_all_are_decided(states, hours, over):
    assert is_over(states, begins_at=NOW, now=NOW + timedelta(hours=hours)) is over


# ---- places ------------------------------------------------------------------------------------

# Ranges for documentation: RFC 5737, RFC 3849.
RULES = (
    PlaceRule(place="Elmford / reading room", hostname="elm-rr-*", addresses="192.0.2.0/24"),
    PlaceRule(place="Elmford", addresses="192.0.2.0/24"),
    PlaceRule(place="Elmford / cellar", addresses="2001:db8:5::/48"),
    PlaceRule(place="Kelling", hostname="KEL-*"),
)


@pytest.mark.parametrize(
    ("hostname", "address", "place"),
    [
        ("elm-rr-04", "192.0.2.9", "Elmford / reading room"),
        ("elm-rr-04", "198.51.100.9", None),
        ("anything", "192.0.2.255", "Elmford"),
        ("anything", "192.0.3.0", None),
        ("anything", "::ffff:192.0.2.9", "Elmford"),  # RFC 4291 §2.5.5.2
        ("anything", "2001:db8:5::7", "Elmford / cellar"),
        ("kel-4", None, "Kelling"),
        ("kel-4", "no address", "Kelling"),
        ("other", None, None),
    ],
)
def test_the_first_rule_that_fits_says_the_place(hostname, address, place):
    assert place_by_rules(RULES, hostname, address) == place


@pytest.mark.parametrize(
    ("rule", "field"),
    [
        (PlaceRule(place="A"), "hostname"),
        (PlaceRule(place="A", addresses="192.0.2.1/24"), "addresses"),  # bits below the mask
        (PlaceRule(place="A", addresses="everywhere"), "addresses"),
        (PlaceRule(place="A", hostname="*"), None),
    ],
)
def test_a_rule_that_cannot_be_read_is_named_by_its_field(rule, field):
    found = problem_of(rule)

    assert (found and found[0]) == field
