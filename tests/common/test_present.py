"""How a verdict reads: whole, as a technician sees it."""

from dataclasses import replace
from datetime import timedelta

import pytest

from flashworthy_common.present import age_in_words, sentence, verdict_lines
from flashworthy_common.readiness import Moment, Outcome
from flashworthy_common.releases import Way
from flashworthy_common.values import Unknown
from support.machines import BATTERY, HOLE, NEED, NOW, TARGET, a_desktop, a_machine, verdict_of

ON_BATTERY = a_machine(
    power={"mains": False, "batteries": (replace(BATTERY, percent=62.0),)},
    people={"installers": Unknown("the process list is not readable")},
)


def text_of(verdict, now=NOW, **options):
    return "\n".join(verdict_lines(verdict, now=now, **options))


def test_prepare_reads_as_orders_and_then_their_grounds():
    need = replace(NEED, reasons=(replace(HOLE, advisories=("QM-2026-07",)),))

    assert (
        text_of(verdict_of(ON_BATTERY, need), now=NOW + timedelta(hours=3))
        == """\
PREPARE   reading-room-4    Alder Lane / ground floor / reading room
Plug in the adapter; see that no installer is running. 25 minutes, one restart.

why       closes a hole that is being exploited (QM-2026-07), priority out-of-cycle (set by hand): \
https://quillmark.example/folio-14/notes
          standing behind: 1.34 is on offer, newer than 1.29
path      1.29 -> 1.34, inside the operating system
fix       mains power: on battery at 62 %, seen 3 hours ago; needs mains
          -> on the spot: plug in the adapter
unknown   installers running: the process list is not readable, seen 3 hours ago
          -> on the spot: see that no installer is running
way back  the maker allows going back to 1.20 and later
bring     its adapter
more      27 checks pass (each of them: --all)
look again on the spot before starting: power and people change"""
    )


def test_a_refusal_names_what_must_not_be():
    assert (
        text_of(verdict_of(ON_BATTERY, moment=Moment.SPOT))
        == """\
HOLD      reading-room-4    Alder Lane / ground floor / reading room
Do not flash it as things stand: mains power: on battery at 62 %. Plug in the adapter.

why       closes a hole that is being exploited, priority out-of-cycle (set by hand): \
https://quillmark.example/folio-14/notes
          standing behind: 1.34 is on offer, newer than 1.29
path      1.29 -> 1.34, inside the operating system
stop      mains power: on battery at 62 %, seen 2 minutes ago; needs mains
          -> on the spot: plug in the adapter
unknown   installers running: the process list is not readable, seen 2 minutes ago
          -> on the spot: see that no installer is running
way back  the maker allows going back to 1.20 and later
bring     its adapter
more      27 checks pass (each of them: --all)"""
    )


def test_what_is_to_be_brought_is_said_of_checks_that_pass_too():
    from_media = replace(NEED, target=replace(TARGET, ways=(Way.BOOT_MEDIA,)))

    assert "bring     boot media with 1.34" in text_of(verdict_of(need=from_media))
    assert "bring" not in text_of(verdict_of(need=replace(from_media, reasons=())))


def test_just_before_the_flash_work_is_saved_and_power_is_not_cut():
    last_line = text_of(verdict_of(moment=Moment.SPOT)).splitlines()[-1]

    assert last_line == (
        "Save all work and close every program first. Never cut power, close the lid or let it "
        "sleep during a flash; follow the maker's notes."
    )


def test_leave_says_why_and_nothing_else():
    assert (
        text_of(verdict_of(ON_BATTERY, replace(NEED, reasons=())))
        == """\
LEAVE     reading-room-4    Alder Lane / ground floor / reading room
Leave it alone: 1.34 is newer, and newer is no reason.

why       standing behind: 1.34 is on offer, newer than 1.29
path      1.29 -> 1.34, inside the operating system
stop      reason: 1.34 is newer, and newer is no reason; \
needs a reason of priority scheduled or above
more      25 checks pass, 2 do not (each of them: --all)"""
    )


def test_all_checks_are_shown_on_request():
    verdict = verdict_of(a_desktop())

    lines = verdict_lines(verdict, now=NOW, show_all=True)

    assert sum(line.startswith("pass") for line in lines) == len(verdict.checks)
    assert not any(line.startswith("more") for line in lines)


@pytest.mark.parametrize(
    ("verdict", "words"),
    [
        (
            verdict_of(),
            "Go and install 1.34; look again on the spot. 25 minutes, one restart.",
        ),
        (verdict_of(moment=Moment.SPOT), "Install 1.34 now. 25 minutes, one restart."),
        (
            verdict_of(need=replace(NEED, review=None)),
            "Somebody must look first: nobody has compared it with the maker's releases yet.",
        ),
        (
            verdict_of(a_machine(machine={"virtual": True})),
            "Leave it alone: a virtual machine (its report): its firmware belongs to its host.",
        ),
        (
            verdict_of(a_machine(marked="patient monitor")),
            "Do not flash it as things stand: life-safety duty: marked as patient monitor: "
            "do not touch it. Ask its owner.",
        ),
        (
            verdict_of(need=replace(NEED, target=replace(TARGET, minutes=None, restarts=None))),
            "Go and install 1.34; look again on the spot. How long it takes is not recorded.",
        ),
    ],
)
def test_a_sentence_comes_first(verdict, words):
    assert sentence(verdict) == words


def test_the_sentence_names_three_things_and_counts_the_rest():
    machine = a_machine(
        power={"mains": False, "batteries": (replace(BATTERY, percent=9.0),)},
        software={"restart_pending": ("a new kernel is installed",), "system_free_bytes": 5},
    )

    assert sentence(verdict_of(machine)).startswith(
        "Restart it first and see that it comes back; make room on the system disk; "
        "plug in the adapter; and 1 more."
    )


@pytest.mark.parametrize(
    ("seconds", "words"),
    [
        (0, "just now"),
        (75, "a minute ago"),
        (120, "2 minutes ago"),
        (7_199, "120 minutes ago"),
        (7_200, "2 hours ago"),
        (86_400 * 3, "3 days ago"),
        (-1, "in the future by this clock"),
    ],
)
def test_ages_are_told_to_a_persons_precision(seconds, words):
    assert age_in_words(NOW, NOW - timedelta(seconds=seconds)) == words


def test_a_verdict_by_rules_that_are_unknown_here_still_reads():
    newer = replace(verdict_of(), outcome=Outcome.LEAVE)

    assert text_of(newer).splitlines()[1] == ("Leave it alone: 1.34 is on offer, newer than 1.29.")
