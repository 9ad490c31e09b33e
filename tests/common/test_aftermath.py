"""What came of a flash: the rules by which the record closes itself.

Sources: UEFI §23.4 (last-attempt status). That a version counts once the machine was restarted is
NIST SP 800-40r4 §2.2 (a patch is installed *and has taken effect*). Every other rule here is
*common practice, no source*.
"""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from flashworthy_common.aftermath import (
    Aftermath,
    Flash,
    Result,
    Seen,
    aftermath,
    alarm_at,
    attention_of_aftermath,
    attention_of_silence_after,
    left_behind,
)
from flashworthy_common.attention import AttentionCode
from flashworthy_common.policy import DEFAULT_POLICY
from flashworthy_common.report import EsrtEntry, Why
from flashworthy_common.values import Unknown
from support.machines import FOLIO, NOW, PLAIN_VOLUME, SEALED_VOLUME, a_report

FLASH = Flash(
    from_text="1.29",
    to_text="1.34",
    target_text="1.34",
    by="Ida Fenwick",
    started_at=NOW,
    minutes=25,
)
LATER = NOW + timedelta(minutes=40)
DONE = Aftermath(Result.DONE, "from 1.29 to 1.34")


def came_of(version_text, *, flash=FLASH, at=LATER, uptime_seconds=300, why=Why.START_UP, **facts):
    report = a_report(firmware={"version_text": version_text} | facts)
    report = replace(report, taken_at=at, uptime_seconds=uptime_seconds, why=why)
    found = aftermath(flash, Seen(report, at), FOLIO)
    return found and (found.result, found.says)


@pytest.mark.parametrize(
    ("version_text", "result", "says"),
    [
        ("1.34", Result.DONE, "from 1.29 to 1.34"),
        ("1.29", Result.UNCHANGED, "still 1.29, and 1.34 was meant"),
        ("1.31", Result.ANOTHER, "from 1.29 to 1.31, and 1.34 was meant"),
        ("1.36", Result.ANOTHER, "from 1.29 to 1.36, and 1.34 was meant"),
        ("1.20", Result.OLDER, "from 1.29 to 1.20, and 1.34 was meant"),
        ("Q77", Result.ANOTHER, "from 1.29 to Q77, and 1.34 was meant"),  # no order is known
    ],
)
def test_the_version_that_runs_after_the_restart_decides(version_text, result, says):
    assert came_of(version_text) == (result, says)


def test_a_stepping_stone_makes_the_next_flash_due():
    first_step = replace(FLASH, to_text="1.31")

    assert came_of("1.31", flash=first_step) == (
        Result.NEXT_STEP,
        "from 1.29 to 1.31; next on the way to 1.34",
    )


def test_firmware_that_cannot_be_read_afterwards_says_nothing():
    assert came_of(Unknown("permission denied")) is None


def test_a_report_from_before_the_flash_says_nothing():
    assert came_of("1.34", at=NOW - timedelta(minutes=1)) is None


@pytest.mark.parametrize(
    ("uptime_seconds", "why", "is_seen"),
    [
        (300, Why.SCHEDULE, True),
        (86_400, Why.SCHEDULE, False),  # it runs since yesterday
        (Unknown("not told"), Why.START_UP, True),
        (Unknown("not told"), Why.SCHEDULE, False),
    ],
)
def test_without_a_restart_nothing_is_said_of_an_unchanged_version(uptime_seconds, why, is_seen):
    found = came_of("1.29", uptime_seconds=uptime_seconds, why=why)

    assert (found is not None) is is_seen


def test_an_unchanged_version_is_a_result_only_after_the_time_that_the_flash_takes():
    soon = NOW + timedelta(minutes=24)

    assert came_of("1.29", at=soon, uptime_seconds=60) is None
    assert came_of("1.34", at=soon, uptime_seconds=60) == (Result.DONE, "from 1.29 to 1.34")


def test_an_update_that_still_waits_for_a_restart_is_no_result():
    assert came_of("1.29", update_queued=("a capsule file",)) is None


def test_only_an_unchanged_version_may_still_be_corrected():
    assert [each for each in Result if not Aftermath(each, "").is_final] == [Result.UNCHANGED]


@pytest.mark.parametrize(
    ("status", "says"),
    [
        # UEFI §23.4; the kernel's document lists the codes shifted by one
        (5, "; it says: the image is not authentic (status 5)"),
        (6, "; it says: mains power was not connected (status 6)"),
        (0, ""),
    ],
)
def test_the_firmwares_own_record_says_why(status, says):
    entry = EsrtEntry(
        firmware_class="0b8f7d3c-1e2a-4f66-9c0d-5a7e21c4b902",
        firmware_type=1,
        version=10,
        last_attempt_version=11,
        last_attempt_status=status,
    )

    assert came_of("1.29", esrt=(entry,)) == (
        Result.UNCHANGED,
        f"still 1.29, and 1.34 was meant{says}",
    )


def test_a_machine_without_such_a_record_is_recognised_all_the_same():
    assert came_of("1.34", esrt=Unknown("not there")) == (Result.DONE, "from 1.29 to 1.34")


@pytest.mark.parametrize(
    ("result", "code"),
    [
        (Result.DONE, None),
        (Result.NEXT_STEP, None),
        (Result.UNCHANGED, AttentionCode.NOT_UPDATED),
        (Result.ANOTHER, AttentionCode.NOT_UPDATED),
        (Result.OLDER, AttentionCode.WENT_BACK),
    ],
)
def test_only_what_did_not_go_as_meant_asks_for_attention(result, code):
    asked = attention_of_aftermath(Aftermath(result, "from 1.29 to 1.20"))

    assert (asked and asked.code) == code


# ---- what it leaves behind ---------------------------------------------------------------------


def left(*, found=DONE, before=None, after_at=LATER, **sections):
    after = replace(a_report(**sections), taken_at=after_at)
    attentions = left_behind(found, before or a_report(), after, DEFAULT_POLICY)
    return {attention.code: attention.says for attention in attentions}


def test_a_flash_that_went_well_leaves_nothing_behind():
    assert left(protection={"volumes": (SEALED_VOLUME, PLAIN_VOLUME)}) == {}


def test_protection_is_resumed_after_the_last_step():
    suspended = {"volumes": (replace(SEALED_VOLUME, suspended_restarts=2),)}
    between = Aftermath(Result.NEXT_STEP, "")

    assert left(protection=suspended) == {
        AttentionCode.PROTECTION_OFF: "after a flash: protection is still suspended: "
        "system for 2 more restarts; resume it"
    }
    assert left(protection=suspended, found=between) == {}
    assert left(protection={"volumes": Unknown("not permitted")}) == {}


@pytest.mark.parametrize(
    ("was", "is_now", "says"),
    [
        (True, False, "after a flash: Secure Boot was on and is off"),
        (False, True, "after a flash: Secure Boot was off and is on"),
        (True, True, None),
        (Unknown("not there"), False, None),
        (True, Unknown("not there"), None),
    ],
)
def test_secure_boot_is_as_it_was(was, is_now, says):
    before = a_report(firmware={"secure_boot": was})

    found = left(before=before, firmware={"secure_boot": is_now})

    assert found.get(AttentionCode.SECURE_BOOT_CHANGED) == says


def test_a_clock_that_went_back_to_its_factory_year_is_told():
    found = left(after_at=datetime(2015, 1, 1, tzinfo=UTC))

    assert found == {
        AttentionCode.CLOCK_RESET: "after a flash: its clock went back to 2015-01-01; look at its "
        "settings, and at the battery that keeps them"
    }


def test_a_clock_that_was_set_by_a_minute_is_not():
    assert left(after_at=a_report().taken_at - timedelta(minutes=1)) == {}


# ---- silence -----------------------------------------------------------------------------------


def test_silence_after_a_flash_is_an_alarm_after_a_time_that_policy_sets():
    assert alarm_at(FLASH, DEFAULT_POLICY) == NOW + timedelta(minutes=25, hours=1)


def test_silence_after_a_flash_says_who_started_it_and_when():
    silent = attention_of_silence_after(FLASH, last_at=NOW)

    assert silent.code is AttentionCode.SILENT_AFTER_FLASH
    assert silent.says == (
        "Ida Fenwick started a flash to 1.34 at 2026-05-04 10:00 UTC; no report came since"
    )


def test_a_machine_that_reports_without_a_restart_is_told_as_such():
    assert attention_of_silence_after(FLASH, LATER).says.endswith("; no restart was seen since")
