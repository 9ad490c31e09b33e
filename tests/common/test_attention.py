"""What asks for attention, whatever the verdict."""

from datetime import UTC, date, datetime, timedelta

import pytest

from flashworthy_common.attention import (
    Acknowledgement,
    AttentionCode,
    attention_of_agent,
    attention_of_change,
    attention_of_clock,
    attention_of_priority,
    attention_of_report,
    attention_of_silence,
    firmware_change,
)
from flashworthy_common.policy import DEFAULT_POLICY
from flashworthy_common.reasons import Priority
from flashworthy_common.report import Battery, BootMode, EsrtEntry, ProbeRun
from flashworthy_common.values import Unknown
from support.machines import BATTERY, NOW, a_report


def found(*problems, **sections):
    attentions = attention_of_report(a_report(**sections), problems, DEFAULT_POLICY)
    return {attention.code: attention.says for attention in attentions}


def entry(*, kind=1, version=10, attempted=11, status=0):
    return EsrtEntry(
        firmware_class="0b8f7d3c-1e2a-4f66-9c0d-5a7e21c4b902",
        firmware_type=kind,
        version=version,
        last_attempt_version=attempted,
        last_attempt_status=status,
    )


def test_a_machine_in_order_asks_for_nothing():
    assert found() == {}


@pytest.mark.parametrize(
    ("esrt", "asks"),
    [
        ((entry(status=0),), False),
        ((entry(status=0, attempted=0),), False),  # never attempted, UEFI §23.4
        ((entry(status=6),), True),
        ((entry(status=6, version=11),), False),  # superseded: the attempted version runs
        ((entry(status=6, kind=2),), False),  # a device's firmware
        ((entry(kind=2, status=5), entry(status=7)), True),
        ((), False),
        (Unknown("permission denied"), False),
    ],
)
def test_a_failed_attempt_on_the_system_firmware_asks_for_attention(esrt, asks):
    assert (AttentionCode.ATTEMPT_FAILED in found(firmware={"esrt": esrt})) is asks


def test_a_failed_attempt_says_why_it_failed_then():
    # Status 6: power event, AC not connected. UEFI §23.4.
    says = found(firmware={"esrt": (entry(status=6),)})[AttentionCode.ATTEMPT_FAILED]

    assert says == ("the last attempt to update failed: mains power was not connected (status 6)")


@pytest.mark.parametrize(
    ("version_text", "says"),
    [
        (Unknown("permission denied"), "no firmware version: permission denied"),
        ("Default string", "the firmware version is a placeholder: 'Default string'"),
        ("1.29", None),
    ],
)
def test_firmware_that_cannot_be_read_asks_for_attention(version_text, says):
    assert found(firmware={"version_text": version_text}).get(AttentionCode.UNREADABLE) == says


@pytest.mark.parametrize(
    ("boot_mode", "secure_boot", "asks"),
    [
        (BootMode.UEFI, False, True),
        (BootMode.UEFI, True, False),
        (BootMode.UEFI, Unknown("not permitted"), False),
        (BootMode.LEGACY, False, False),  # there is none to be on
        (Unknown("not reported"), False, False),
    ],
)
def test_secure_boot_that_is_off_asks_for_attention_under_uefi_only(boot_mode, secure_boot, asks):
    sections = {"firmware": {"boot_mode": boot_mode, "secure_boot": secure_boot}}

    assert (AttentionCode.SECURE_BOOT_OFF in found(**sections)) is asks


@pytest.mark.parametrize(
    ("batteries", "says"),
    [
        ((Battery(name="BAT0", full_mwh=24_900.0, design_mwh=50_000.0),), "BAT0 holds 50 %"),
        ((Battery(name="BAT0", full_mwh=25_000.0, design_mwh=50_000.0),), None),  # the limit itself
        ((BATTERY, Battery(name="BAT1", full_mah=10.0, design_mah=100.0)), "BAT1 holds 10 %"),
        ((Battery(name="BAT0"),), None),  # its capacity is not told
        ((), None),
        (Unknown("not reported"), None),
    ],
)
def test_a_worn_battery_asks_for_attention(batteries, says):
    told = found(power={"batteries": batteries}).get(AttentionCode.BATTERY_WORN)

    assert told == (says and f"{says} of its design capacity")


def test_probes_that_fail_ask_for_attention_with_their_reasons():
    probes = (
        ProbeRun(name="power", duration_ms=3),
        ProbeRun(name="ups", duration_ms=2_000, failure="no answer in 2 s"),
    )

    told = found(agent={"probes": probes})
    assert told == {AttentionCode.PROBES_FAILING: "ups: no answer in 2 s"}


def test_malformed_values_are_told_a_few_by_name_and_the_rest_by_number():
    assert found("a: wrong", "b: wrong", "c: wrong", "d: wrong", "e: wrong") == {
        AttentionCode.MALFORMED: "a: wrong; b: wrong; c: wrong; and 2 more"
    }


@pytest.mark.parametrize(("dropped", "asks"), [(0, False), (3, True), (Unknown("lost"), False)])
def test_reports_that_an_agent_had_to_drop_ask_for_attention(dropped, asks):
    assert (AttentionCode.REPORTS_DROPPED in found(agent={"dropped_reports": dropped})) is asks


@pytest.mark.parametrize(("aside", "asks"), [(0, False), (1, True), (Unknown("lost"), False)])
def test_reports_that_were_refused_and_are_kept_ask_for_attention(aside, asks):
    assert (AttentionCode.REPORTS_SET_ASIDE in found(agent={"set_aside_reports": aside})) is asks


@pytest.mark.parametrize(
    ("version", "is_old"),
    [
        ("0.9.12", True),
        ("0.10", False),
        ("0.10.0", False),
        ("0.10.1", False),
        ("1.0", False),
        ("built by hand", False),  # nobody can say
        (Unknown("not reported"), False),
    ],
)
def test_an_agent_that_is_older_than_the_server_asks_for_attention(version, is_old):
    attention = attention_of_agent(version, "0.10.0")

    assert (attention is not None) is is_old
    if attention:
        assert attention.says == "its agent 0.9.12 is older than the server's 0.10.0"


@pytest.mark.parametrize(
    ("seconds", "says"),
    [
        (300, None),
        (301, "its clock is 301 s behind"),
        (-301, "its clock is 301 s ahead"),
        (Unknown("no Date header"), None),
    ],
)
def test_a_clock_further_off_than_policy_allows_asks_for_attention(seconds, says):
    attention = attention_of_clock(seconds, DEFAULT_POLICY)

    assert (attention and attention.says) == says


@pytest.mark.parametrize("priority", [None, *Priority])
def test_only_the_two_highest_priorities_ask_for_attention(priority):
    pressing = priority in (Priority.OUT_OF_CYCLE, Priority.IMMEDIATE)

    assert (attention_of_priority(priority) is not None) is pressing


@pytest.mark.parametrize(
    ("later", "code", "says"),
    [
        ("1.34", AttentionCode.CHANGED, "changed from 1.29 to 1.34, between two reports 3 hours"),
        ("1.20", AttentionCode.WENT_BACK, "went back from 1.29 to 1.20, between two reports"),
        ("X", AttentionCode.CHANGED, "changed from 1.29 to X"),  # no order is known: only changed
    ],
)
def test_a_change_says_both_versions_and_the_gap(later, code, says):
    change = firmware_change(
        ("1.29", NOW), (later, NOW + timedelta(hours=3)), maker="Quillmark", model="Folio 14"
    )

    attention = attention_of_change(change)

    assert attention.code is code
    assert attention.says.startswith(says)


def test_the_same_version_is_no_change():
    assert firmware_change(("1.29", NOW), ("1.29", NOW), maker="Quillmark", model="") is None


@pytest.mark.parametrize(
    ("gap", "words"),
    [
        (timedelta(minutes=5), "less than an hour apart"),
        (timedelta(hours=1), "1 hour apart"),
        (timedelta(hours=30), "30 hours apart"),
    ],
)
def test_a_gap_is_told_in_hours(gap, words):
    change = firmware_change(("1.29", NOW), ("1.34", NOW + gap), maker="Quillmark", model="")

    assert words in attention_of_change(change).says


def test_a_machine_is_silent_after_a_time_that_policy_sets():
    limit = timedelta(seconds=DEFAULT_POLICY.silent_after_seconds)

    before = NOW + limit - timedelta(seconds=1)
    assert attention_of_silence(NOW, DEFAULT_POLICY, before) is None
    silent = attention_of_silence(NOW, DEFAULT_POLICY, NOW + limit)
    assert silent.says == "no report since 2026-05-04"


def test_a_report_of_which_nothing_is_known_asks_for_nothing_but_its_firmware():
    unknown = {
        "firmware": {"version_text": Unknown("not there"), "boot_mode": Unknown("not there")},
        "power": {"batteries": Unknown("not there")},
        "agent": {"probes": Unknown("not there"), "dropped_reports": Unknown("not there")},
    }

    assert list(found(**unknown)) == [AttentionCode.UNREADABLE]


@pytest.mark.parametrize(
    ("now", "holds"),
    [
        (datetime(2026, 5, 8, 23, 59, tzinfo=UTC), True),
        (datetime(2026, 5, 9, 0, 0, tzinfo=UTC), False),
    ],
)
def test_what_a_person_acknowledged_rests_until_its_last_day_is_over(now, holds):
    acknowledged = Acknowledgement(
        by="Ida Fenwick", at=NOW, reason="a battery is ordered", until=date(2026, 5, 8)
    )

    assert acknowledged.holds(now) is holds
