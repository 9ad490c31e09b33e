"""The trade's rule book: what lets a machine be flashed, and what does not.

Sources: UEFI §23.4 (last-attempt status), RFC 9271 Table 4 (UPS words), the kernel's power_supply
ABI (what the values mean), SSVC deployer tree 1.0.0 (priorities). Every other rule here is
*common practice, no source*: a portable is never flashed on battery; charge does not replace mains
nor mains charge; desktops deserve a UPS; no reason, no update; the version already there is no
update; prerequisites are looked at a second time on the spot; a flash that is cut off is the worst
case.
"""

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import pytest

from flashworthy_common.confirmations import Confirmed
from flashworthy_common.exceptions import ExceptionKind, SiteException
from flashworthy_common.need import Need, Standing
from flashworthy_common.paths import NoPath, WayBack
from flashworthy_common.policy import DEFAULT_POLICY, UpsRule
from flashworthy_common.present import sentence
from flashworthy_common.readiness import Answer, Moment, Outcome, Who
from flashworthy_common.reasons import Priority
from flashworthy_common.releases import LeastVersion, Requirements, Way
from flashworthy_common.report import (
    BootMode,
    EsrtEntry,
    InstalledVersion,
    PendingUpdates,
    ProbeRun,
    ProtectorKind,
    Session,
    Ups,
)
from flashworthy_common.values import Unknown
from support.machines import (
    BATTERY,
    HOLE,
    NEED,
    NOW,
    OTHER,
    PLAIN_VOLUME,
    READY_UPS,
    REVIEW,
    SEALED_VOLUME,
    SERVER,
    TARGET,
    a_desktop,
    a_machine,
    a_target,
    answer_of,
    confirmed,
    verdict_of,
)

NOT_SEEN = Unknown("permission denied")
PASS, FIX, STOP, UNKNOWN = Answer.PASS, Answer.FIX, Answer.STOP, Answer.UNKNOWN
BOTH_MOMENTS = pytest.mark.parametrize("moment", list(Moment))


# ---- the outcome -------------------------------------------------------------------------------


@BOTH_MOMENTS
def test_a_machine_with_a_reason_and_nothing_in_the_way_is_clear(moment):
    assert verdict_of(moment=moment).outcome is Outcome.CLEAR


@BOTH_MOMENTS
def test_a_desktop_on_a_ready_ups_is_clear(moment):
    assert verdict_of(a_desktop(), moment=moment).outcome is Outcome.CLEAR


def test_a_machine_of_which_nothing_is_known_is_never_clear():
    nothing = {name: {"seen_at": NOT_SEEN} for name in ("power", "people")}
    blind = a_machine(**nothing, machine={"virtual": NOT_SEEN, "chassis_type": NOT_SEEN})

    assert verdict_of(blind).outcome is Outcome.PREPARE
    assert verdict_of(blind, moment=Moment.SPOT).outcome is Outcome.HOLD


# ---- scope -------------------------------------------------------------------------------------


def test_a_virtual_machine_is_left_alone():
    guest = a_machine(machine={"virtual": True, "virtual_evidence": "SMBIOS type 0"})

    assert verdict_of(guest).outcome is Outcome.LEAVE


@pytest.mark.parametrize("need", [NEED, replace(NEED, review=None), replace(NEED, reasons=())])
def test_firmware_that_comes_with_the_operating_system_is_left_to_its_updates(need):
    machine = a_machine(firmware={"comes_with_os": True})

    verdict = verdict_of(machine, need)

    assert verdict.outcome is Outcome.LEAVE
    assert sentence(verdict) == (
        "Leave it alone: its firmware comes with the operating system: "
        "that one's updates bring newer firmware."
    )


@pytest.mark.parametrize("told", [False, NOT_SEEN])
def test_other_firmware_is_judged_as_ever(told):
    verdict = verdict_of(a_machine(firmware={"comes_with_os": told}))

    assert verdict.outcome is Outcome.CLEAR


def test_a_machine_with_a_life_safety_duty_is_on_hold_whatever_else_is_true():
    for need in (NEED, replace(NEED, review=None), replace(NEED, reasons=())):
        assert verdict_of(a_machine(marked="patient monitor"), need).outcome is Outcome.HOLD


def test_a_server_is_on_hold_because_its_kind_is_not_covered():
    assert verdict_of(a_machine(machine={"chassis_type": SERVER})).outcome is Outcome.HOLD


@pytest.mark.parametrize("chassis_type", [OTHER, 2, 34, NOT_SEEN])
def test_an_unknown_kind_is_unknown_never_guessed(chassis_type):
    verdict = verdict_of(a_machine(machine={"chassis_type": chassis_type}))

    assert answer_of("scope.kind", verdict) is UNKNOWN
    assert verdict.outcome is Outcome.PREPARE


def test_a_desktop_with_a_battery_is_a_contradiction_and_not_guessed():
    verdict = verdict_of(a_desktop(power={"batteries": (BATTERY,)}))

    assert answer_of("scope.kind", verdict) is UNKNOWN


# ---- need --------------------------------------------------------------------------------------


def test_nobody_has_looked_is_not_the_same_as_no_reason():
    unlooked = replace(NEED, review=None)
    no_reason = replace(NEED, reasons=())

    assert verdict_of(need=unlooked).outcome is Outcome.UNDECIDED
    assert verdict_of(need=no_reason).outcome is Outcome.LEAVE


def test_newer_is_no_reason():
    assert verdict_of(need=replace(NEED, reasons=())).outcome is Outcome.LEAVE


def test_the_version_already_there_is_no_update():
    current = Need(
        running="1.34", standing=Standing.CURRENT, because="1.34 is same as 1.34", review=REVIEW
    )

    assert verdict_of(need=current).outcome is Outcome.LEAVE


def test_unreadable_firmware_is_undecided_with_the_reason():
    unreadable = Need(
        running=Unknown("this kernel shows no SMBIOS table"),
        standing=Standing.UNREADABLE,
        because="no firmware version",
        review=REVIEW,
    )

    verdict = verdict_of(need=unreadable)

    assert verdict.outcome is Outcome.UNDECIDED
    assert "this kernel shows no SMBIOS table" in verdict.checks[3].says


def test_a_review_too_old_counts_as_none():
    old = replace(REVIEW, reviewed_at=NOW - timedelta(days=91))

    assert verdict_of(need=replace(NEED, review=old)).outcome is Outcome.UNDECIDED


# SSVC: `defer` means not to act at present
@pytest.mark.parametrize(
    ("priority", "outcome"),
    [
        (Priority.DEFER, Outcome.LEAVE),
        (Priority.SCHEDULED, Outcome.CLEAR),
        (Priority.OUT_OF_CYCLE, Outcome.CLEAR),
        (Priority.IMMEDIATE, Outcome.CLEAR),
    ],
)
def test_a_reason_must_reach_the_least_priority_of_the_policy(priority, outcome):
    need = replace(NEED, reasons=(replace(HOLE, priority=priority),))

    assert verdict_of(need=need).outcome is outcome


@pytest.mark.parametrize(
    ("days", "priority", "answer"),
    [
        (13, Priority.SCHEDULED, FIX),
        (14, Priority.SCHEDULED, PASS),
        (1, Priority.OUT_OF_CYCLE, PASS),  # waives the age
        (None, Priority.SCHEDULED, UNKNOWN),
    ],
)
def test_a_young_release_is_waited_for_unless_the_priority_waives_it(days, priority, answer):
    released_on = None if days is None else NOW.date() - timedelta(days=days)
    need = replace(
        NEED,
        target=replace(TARGET, released_on=released_on),
        reasons=(replace(HOLE, priority=priority),),
    )

    assert answer_of("need.release_age", verdict_of(need=need)) is answer


def test_a_high_priority_never_waives_a_stop():
    need = replace(NEED, reasons=(replace(HOLE, priority=Priority.IMMEDIATE),))
    queued = a_machine(firmware={"update_queued": ("a capsule file",)})

    assert verdict_of(queued, need).outcome is Outcome.HOLD


def an_exception(**facts):
    defaults = {
        "kind": ExceptionKind.RISK_ACCEPTED,
        "machine_maker": "Quillmark",
        "models": ("Folio 14",),
        "version_text": "1.34",
        "reason": "exams are on",
        "owner": "Ida Fenwick",
        "until": date(2026, 5, 4),
    }
    return SiteException(**(defaults | facts))


@pytest.mark.parametrize(
    ("exception", "outcome"),
    [
        (an_exception(), Outcome.LEAVE),  # its last day counts
        (an_exception(until=date(2026, 5, 3)), Outcome.CLEAR),  # ended by itself
        (an_exception(version_text="1.31"), Outcome.CLEAR),  # about another release: told
        (an_exception(kind=ExceptionKind.NOT_THIS_RELEASE), Outcome.LEAVE),
    ],
)
def test_an_exception_covers_a_reason_until_its_last_day(exception, outcome):
    verdict = verdict_of(need=replace(NEED, exceptions=(exception,)))

    assert verdict.outcome is outcome


def test_a_verdict_under_an_exception_holds_until_it_ends():
    verdict = verdict_of(need=replace(NEED, exceptions=(an_exception(),)))

    (check,) = [check for check in verdict.checks if check.code == "need.exception"]
    assert check.holds_until == datetime(2026, 5, 5, tzinfo=UTC)
    assert check.says == "by the site's own decision: exams are on (Ida Fenwick, until 2026-05-04)"


# ---- path --------------------------------------------------------------------------------------

STONE = replace(TARGET, version_text="1.31", minutes=10, requires=Requirements(charge_percent=90))
TWO_STEPS = replace(NEED, stones=(STONE,), path=("1.29", "1.31", "1.34"))


def test_what_the_next_step_asks_for_counts():
    machine = a_machine(power={"batteries": (replace(BATTERY, percent=85.0),)})

    assert answer_of("power.charge", verdict_of(machine)) is PASS
    assert answer_of("power.charge", verdict_of(machine, TWO_STEPS)) is FIX


@pytest.mark.parametrize(("is_certain", "answer"), [(True, STOP), (False, UNKNOWN)])
def test_no_path_is_a_stop_unless_versions_cannot_be_ordered(is_certain, answer):
    no_path = NoPath(because="1.34 asks for 1.33, which is withdrawn", is_certain=is_certain)
    need = replace(NEED, path=(), way_back=None, no_path=no_path)

    assert answer_of("path.steps", verdict_of(need=need)) is answer


CLASS = "6b1c5f2e-0d9a-4c1e-8f55-0c9f3f1f7a10"


@pytest.mark.parametrize(
    ("lowest", "answer"),
    [(0x10022, PASS), (0x10023, STOP), (NOT_SEEN, PASS)],  # the release is version 0x10022
)
def test_a_release_below_the_lowest_supported_version_is_a_stop(lowest, answer):
    # UEFI §23.4: LowestSupportedFwVersion
    entry = EsrtEntry(
        firmware_class=CLASS, firmware_type=1, version=0x1001D, lowest_supported_version=lowest
    )
    need = replace(NEED, target=replace(TARGET, esrt_class=CLASS, esrt_version=0x10022))

    verdict = verdict_of(a_machine(firmware={"esrt": (entry,)}), need)

    assert answer_of("path.floor", verdict) is answer


@pytest.mark.parametrize(
    ("sku", "answer"), [("QF14-EU", PASS), ("QF14-JP", STOP), (NOT_SEEN, UNKNOWN)]
)
def test_a_release_for_other_order_codes_is_a_stop(sku, answer):
    need = replace(NEED, target=replace(TARGET, skus=("QF14-EU",)))

    verdict = verdict_of(a_machine(machine={"sku": sku}), need)

    assert answer_of("path.order_code", verdict) is answer


@pytest.mark.parametrize(
    ("ways", "boot_mode", "answer"),
    [
        ((Way.CAPSULE,), BootMode.UEFI, PASS),
        ((Way.CAPSULE,), BootMode.LEGACY, STOP),
        ((Way.CAPSULE,), NOT_SEEN, UNKNOWN),
        ((Way.CAPSULE, Way.BOOT_MEDIA), BootMode.LEGACY, PASS),  # old machines: boot media
        ((), BootMode.UEFI, UNKNOWN),
    ],
)
def test_some_way_of_installing_must_be_open(ways, boot_mode, answer):
    need = replace(NEED, target=replace(TARGET, ways=ways))

    verdict = verdict_of(a_machine(firmware={"boot_mode": boot_mode}), need)

    assert answer_of("path.way", verdict) is answer


def test_boot_media_are_brought_along_where_nothing_else_installs_the_release():
    need = replace(NEED, target=replace(TARGET, ways=(Way.BOOT_MEDIA,)))

    (check,) = [each for each in verdict_of(need=need).checks if each.code == "path.way"]

    assert (check.answer, check.bring) == (PASS, "boot media with 1.34")


# ---- way back ----------------------------------------------------------------------------------


def after(*, allowed, **target):
    way_back = WayBack(allowed=allowed, says="nothing older can be put back", package_of="1.29")
    return replace(NEED, way_back=way_back, target=replace(TARGET, **target))


@pytest.mark.parametrize(
    ("need", "answer"),
    [
        (after(allowed=True), PASS),
        (after(allowed=False), STOP),
        (after(allowed=NOT_SEEN), UNKNOWN),
        (after(allowed=False, recovery="hold Home while it starts, with a USB stick"), PASS),
    ],
)
def test_where_going_back_is_forbidden_a_way_of_recovery_is_needed(need, answer):
    assert answer_of("way_back.going_back", verdict_of(need=need)) is answer


@pytest.mark.parametrize("what", [Confirmed.RECOVERY_ROUTE, Confirmed.NO_WAY_BACK])
def test_a_person_may_know_a_way_or_accept_that_there_is_none(what):
    need = after(allowed=False)

    accepted = verdict_of(a_machine(confirmations=(confirmed(what, "1.34"),)), need)
    of_another = verdict_of(a_machine(confirmations=(confirmed(what, "1.31"),)), need)

    assert answer_of("way_back.going_back", accepted) is PASS
    assert answer_of("way_back.going_back", of_another) is STOP


@BOTH_MOMENTS
@pytest.mark.parametrize(
    ("packages", "answer"), [(("1.29",), PASS), (("1.20", "1.34"), FIX), ((), FIX)]
)
def test_the_package_of_the_running_version_is_kept_before(packages, answer, moment):
    verdict = verdict_of(a_machine(packages=packages), moment=moment)

    assert answer_of("way_back.package", verdict) is answer
    (check,) = [each for each in verdict.checks if each.code == "way_back.package"]
    if answer is FIX:
        assert (check.remedy, check.who) == ("keep the package of 1.29", Who.DESK)


def test_without_a_path_nobody_asks_for_a_package():
    need = replace(NEED, target=None, path=(), way_back=None)

    assert answer_of("way_back.package", verdict_of(a_machine(packages=()), need)) is None


def test_settings_that_a_flash_resets_are_written_down_before():
    need = replace(NEED, target=replace(TARGET, resets_settings=True))
    written = a_machine(confirmations=(confirmed(Confirmed.SETTINGS_WRITTEN_DOWN, "1.29"),))

    assert answer_of("way_back.settings", verdict_of()) is None
    assert answer_of("way_back.settings", verdict_of(need=need)) is FIX
    assert answer_of("way_back.settings", verdict_of(need=need, moment=Moment.SPOT)) is STOP
    assert answer_of("way_back.settings", verdict_of(written, need)) is PASS


# ---- prerequisites -----------------------------------------------------------------------------

# fact -> answer at the desk, answer on the spot
PREREQUISITES = [
    (
        "restart_pending",
        {"software": {"restart_pending": ("a new kernel is installed",)}},
        FIX,
        STOP,
    ),
    ("restart_pending", {"software": {"restart_pending": NOT_SEEN}}, UNKNOWN, UNKNOWN),
    ("update_queued", {"firmware": {"update_queued": ("a capsule file",)}}, STOP, STOP),
    ("update_queued", {"firmware": {"update_queued": NOT_SEEN}}, UNKNOWN, UNKNOWN),
    (
        "update_queued",
        {"firmware": {"update_queued": NOT_SEEN, "boot_mode": BootMode.LEGACY}},
        PASS,
        PASS,
    ),
    ("installer", {"people": {"installers": ("a package manager",)}}, FIX, STOP),
    ("installer", {"people": {"installers": NOT_SEEN}}, UNKNOWN, UNKNOWN),
    ("free_space", {"software": {"system_free_bytes": 999_999_999}}, FIX, STOP),
    ("free_space", {"software": {"system_free_bytes": 1_000_000_000}}, PASS, PASS),
    ("free_space", {"software": {"system_free_bytes": NOT_SEEN}}, UNKNOWN, UNKNOWN),
    ("os_updates", {"software": {"pending_updates": PendingUpdates(count=9)}}, PASS, PASS),
    ("os_updates", {"software": {"pending_updates": NOT_SEEN}}, PASS, PASS),
]


@pytest.mark.parametrize(("name", "facts", "at_the_desk", "on_the_spot"), PREREQUISITES)
def test_prerequisites_are_asked_twice(name, facts, at_the_desk, on_the_spot):
    machine, code = a_machine(**facts), f"prerequisites.{name}"

    assert answer_of(code, verdict_of(machine)) is at_the_desk
    assert answer_of(code, verdict_of(machine, moment=Moment.SPOT)) is on_the_spot


def test_pending_updates_block_where_the_release_requires_them():
    machine = a_machine(software={"pending_updates": PendingUpdates(count=9)})
    unknown = a_machine(software={"pending_updates": NOT_SEEN})
    need, code = a_target(os_updates=True), "prerequisites.os_updates"

    assert answer_of(code, verdict_of(machine, need)) is FIX
    assert answer_of(code, verdict_of(machine, need, moment=Moment.SPOT)) is STOP
    assert answer_of(code, verdict_of(unknown, need)) is UNKNOWN


@pytest.mark.parametrize(
    ("build", "answer"),
    [("12.11", PASS), ("12.9", FIX), ("12.10", PASS), ("twelve", UNKNOWN), (NOT_SEEN, UNKNOWN)],
)
def test_the_build_of_the_operating_system_must_be_new_enough(build, answer):
    need = a_target(os_builds=(LeastVersion(name="Alderleaf", version_text="12.10"),))
    machine = a_machine(software={"os_build": build})

    assert answer_of("prerequisites.os_build", verdict_of(machine, need)) is answer


def test_an_operating_system_that_the_notes_do_not_name_is_unknown():
    need = a_target(os_builds=(LeastVersion(name="Larkspur", version_text="3"),))

    assert answer_of("prerequisites.os_build", verdict_of(need=need)) is UNKNOWN


@pytest.mark.parametrize(
    ("installed", "answer"),
    [
        ((InstalledVersion(name="qm-bridge", version_text="2.10.1"),), PASS),
        ((InstalledVersion(name="qm-bridge", version_text="2.9"),), FIX),
        ((InstalledVersion(name="qm-bridge", version_text=NOT_SEEN),), UNKNOWN),
        ((), UNKNOWN),
        (NOT_SEEN, UNKNOWN),
    ],
)
def test_a_driver_that_the_release_names_must_be_new_enough(installed, answer):
    need = a_target(installed=(LeastVersion(name="QM-Bridge", version_text="2.10"),))
    machine = a_machine(software={"installed": installed})

    assert answer_of("prerequisites.installed", verdict_of(machine, need)) is answer


def system_entry(**numbers):
    defaults = {"firmware_class": "6b1c5f2e-0d9a-4c1e-8f55-0c9f3f1f7a10", "firmware_type": 1}
    return EsrtEntry(**(defaults | {"version": 0x1001D} | numbers))


@pytest.mark.parametrize(
    ("entry", "answer"),
    [
        # never attempted: status 0 and version 0 (UEFI §23.4)
        (system_entry(last_attempt_status=0, last_attempt_version=0), PASS),
        (system_entry(last_attempt_status=6, last_attempt_version=0x10022), FIX),
        (system_entry(last_attempt_status=7, last_attempt_version=0x10022), FIX),
        # 5 is an authentication error; the kernel's document shifts the list by one
        (system_entry(last_attempt_status=5, last_attempt_version=0x10022), STOP),
        # superseded: the running version reached the attempted one
        (system_entry(last_attempt_status=1, last_attempt_version=0x1001D), PASS),
        # a device's entry does not speak for system firmware
        (
            system_entry(firmware_type=2, last_attempt_status=5, last_attempt_version=0x10022),
            PASS,
        ),
    ],
)
def test_a_failed_last_attempt_is_looked_into_until_it_is_superseded(entry, answer):
    machine = a_machine(firmware={"esrt": (entry,)})

    assert answer_of("prerequisites.last_attempt", verdict_of(machine)) is answer


def test_a_machine_without_esrt_is_not_held_back_by_it():
    machine = a_machine(firmware={"esrt": Unknown("no such table")})

    assert verdict_of(machine).outcome is Outcome.CLEAR


# ---- power -------------------------------------------------------------------------------------


def battery(**values):
    return {"batteries": (replace(BATTERY, **values),)}


POWER = [
    ("mains", {"mains": False}, FIX, STOP),
    ("mains", {"mains": NOT_SEEN}, UNKNOWN, UNKNOWN),
    ("charge", battery(percent=49.0), FIX, STOP),
    ("charge", battery(percent=50.0), PASS, PASS),
    ("charge", battery(percent=NOT_SEEN), UNKNOWN, UNKNOWN),
    ("charge", {"batteries": NOT_SEEN}, UNKNOWN, UNKNOWN),
    ("wear", battery(full_mwh=24_000.0), FIX, FIX),
    ("wear", battery(full_mwh=NOT_SEEN), UNKNOWN, UNKNOWN),
    # charge of now against energy of design would read 9 %: they are never mixed
    ("wear", battery(full_mwh=NOT_SEEN, full_mah=4_500.0), UNKNOWN, UNKNOWN),
    ("wear", battery(full_mwh=NOT_SEEN, full_mah=4_500.0, design_mah=5_000.0), PASS, PASS),
    ("drain", battery(state="discharging"), FIX, STOP),
    ("drain", battery(state="not charging"), PASS, PASS),  # a charge limit is set
]


@pytest.mark.parametrize(("name", "facts", "at_the_desk", "on_the_spot"), POWER)
def test_power_is_a_fix_at_the_desk_and_a_stop_on_the_spot(name, facts, at_the_desk, on_the_spot):
    machine, code = a_machine(power=facts), f"power.{name}"

    assert answer_of(code, verdict_of(machine)) is at_the_desk
    assert answer_of(code, verdict_of(machine, moment=Moment.SPOT)) is on_the_spot


def test_a_portable_is_never_flashed_on_battery():
    on_battery = a_machine(power={"mains": False} | battery(percent=100.0))

    assert verdict_of(on_battery).outcome is Outcome.PREPARE
    assert verdict_of(on_battery, moment=Moment.SPOT).outcome is Outcome.HOLD


def test_mains_does_not_replace_charge():
    empty = a_machine(power=battery(percent=3.0))

    assert verdict_of(empty, moment=Moment.SPOT).outcome is Outcome.HOLD


def test_the_release_may_ask_for_more_charge_than_policy():
    machine = a_machine(power=battery(percent=70.0))

    verdict = verdict_of(machine, a_target(charge_percent=80))

    assert answer_of("power.charge", verdict) is FIX


def test_the_weakest_of_several_batteries_counts():
    pair = (BATTERY, replace(BATTERY, name="BAT1", percent=5.0))

    assert answer_of("power.charge", verdict_of(a_machine(power={"batteries": pair}))) is FIX


def ups(**values):
    return a_desktop(ups=(replace(READY_UPS, **values),))


# RFC 9271 Table 4; a UPS that says neither OL nor OB is deemed dead
@pytest.mark.parametrize("status_text", ["OL", "OL CHRG", "OL BOOST", "OL TRIM", "OL XYZZY"])
def test_a_ups_on_line_is_ready(status_text):
    assert verdict_of(ups(status_text=status_text)).outcome is Outcome.CLEAR


@pytest.mark.parametrize(
    "status_text",
    [
        *("OB", "OB LB", "OL LB", "OL RB", "OL OVER", "OL BYPASS", "OL CAL", "OL TEST", "OL OFF"),
        *("OL ALARM", "FSD OL", "", "CHRG", "WAIT", "NOCOMM", "ol"),
    ],
)
def test_a_ups_that_is_not_ready_does_not_count(status_text):
    machine = ups(status_text=status_text)

    assert answer_of("power.ups", verdict_of(machine)) is FIX
    assert answer_of("power.ups", verdict_of(machine, moment=Moment.SPOT)) is STOP


@pytest.mark.parametrize(
    ("values", "answer"),
    [
        ({"runtime_seconds": 4_500}, PASS),  # three times 25 minutes
        ({"runtime_seconds": 4_499}, FIX),
        ({"runtime_seconds": NOT_SEEN}, PASS),  # may be absent, RFC 9271 §8.2.1; charge stands in
        ({"runtime_seconds": NOT_SEEN, "charge_percent": 79.0}, FIX),
        ({"runtime_seconds": NOT_SEEN, "charge_percent": NOT_SEEN}, FIX),
        ({"status_text": NOT_SEEN}, FIX),
    ],
)
def test_a_ups_must_last_several_times_the_flash(values, answer):
    assert answer_of("power.ups", verdict_of(ups(**values))) is answer


def test_a_desktop_deserves_a_ups_unless_policy_only_tells():
    bare = a_desktop(ups=())
    lenient = replace(DEFAULT_POLICY, ups_rule=UpsRule.TOLD)

    assert answer_of("power.ups", verdict_of(bare)) is FIX
    assert answer_of("power.ups", verdict_of(bare, policy=lenient)) is PASS


def test_a_ups_that_can_shut_this_machine_down_is_named():
    commanding = Ups(name="desk-ups", status_text="OL", runtime_seconds=7_200, shuts_this_down=True)

    verdict = verdict_of(a_desktop(ups=(commanding,)))

    (check,) = [check for check in verdict.checks if check.code == "power.ups"]
    assert check.says == "desk-ups ready; it can command this machine to shut down"


@pytest.mark.parametrize(
    ("hours", "answer"),
    [(1, PASS), (25, FIX), (-1, FIX)],  # believed for a day; not from the future
)
def test_a_person_may_say_that_a_ups_stands_ready(hours, answer):
    word = confirmed(Confirmed.UPS_READY, at=NOW - timedelta(hours=hours))
    bare = a_desktop(ups=(), confirmations=(word,))

    assert answer_of("power.ups", verdict_of(bare)) is answer


# ---- protection --------------------------------------------------------------------------------


def sealed(confirmations=(), **values):
    return a_machine(
        protection={"volumes": (replace(SEALED_VOLUME, **values),)}, confirmations=confirmations
    )


KEY_IS_READABLE = confirmed(Confirmed.RECOVERY_KEY, "7f3a-11c0")


def test_a_sealed_disk_needs_its_recovery_key_proven_readable():
    code = "protection.recovery_key"

    assert answer_of(code, verdict_of(sealed())) is FIX
    assert answer_of(code, verdict_of(sealed(), moment=Moment.SPOT)) is STOP
    assert answer_of(code, verdict_of(sealed([KEY_IS_READABLE]))) is PASS


def test_a_new_protector_ends_the_word_about_the_old_one():
    machine = sealed([KEY_IS_READABLE], protector_id="0b91-aa02")

    assert answer_of("protection.recovery_key", verdict_of(machine)) is FIX


def test_a_protector_without_a_name_cannot_be_confirmed():
    machine = sealed([KEY_IS_READABLE], protector_id=NOT_SEEN)

    assert answer_of("protection.recovery_key", verdict_of(machine)) is UNKNOWN


@pytest.mark.parametrize(
    ("suspended_restarts", "answer"), [(0, STOP), (1, STOP), (2, PASS), (3, PASS)]
)
def test_protection_is_suspended_on_the_spot_for_as_many_restarts_as_the_path_needs(
    suspended_restarts, answer
):
    need = replace(NEED, target=replace(TARGET, restarts=2))
    machine = sealed([KEY_IS_READABLE], suspended_restarts=suspended_restarts)

    assert answer_of("protection.suspended", verdict_of(machine, need)) is None
    spot = verdict_of(machine, need, moment=Moment.SPOT)
    assert answer_of("protection.suspended", spot) is answer


@pytest.mark.parametrize(
    ("protector", "answer"),
    [(ProtectorKind.TPM, FIX), (ProtectorKind.BOTH, PASS), (ProtectorKind.PASSPHRASE, None)],
)
def test_where_sealing_cannot_be_suspended_another_key_must_open_the_disk(protector, answer):
    machine = sealed([KEY_IS_READABLE], protector=protector, suspended_restarts=NOT_SEEN)

    assert answer_of("protection.other_key", verdict_of(machine)) is answer


@BOTH_MOMENTS
def test_a_passphrase_alone_has_nothing_to_suspend(moment):
    machine = sealed(protector=ProtectorKind.PASSPHRASE)

    assert verdict_of(machine, moment=moment).outcome is Outcome.CLEAR


@pytest.mark.parametrize(
    "volumes",
    [
        NOT_SEEN,
        (),
        (replace(PLAIN_VOLUME, encrypted=NOT_SEEN),),
        (replace(PLAIN_VOLUME, encrypted=True, protector=NOT_SEEN),),
        (replace(PLAIN_VOLUME, is_system=False),),
    ],
)
def test_encryption_that_cannot_be_seen_is_unknown(volumes):
    verdict = verdict_of(a_machine(protection={"volumes": volumes}))

    assert answer_of("protection.encryption", verdict) is UNKNOWN


# ---- people ------------------------------------------------------------------------------------

READER = Session(user="reader", remote=False, idle_seconds=4_000)
FROM_AFAR = Session(user="helpdesk", remote=True)


def test_nobody_is_thrown_out():
    machine = a_machine(people={"sessions": (READER,)})

    assert answer_of("people.sessions", verdict_of(machine)) is FIX
    assert answer_of("people.sessions", verdict_of(machine, moment=Moment.SPOT)) is FIX


def test_who_was_informed_for_this_version_may_stay():
    told = confirmed(Confirmed.USER_INFORMED, "1.34")
    told_of_another = confirmed(Confirmed.USER_INFORMED, "1.31")
    people = {"sessions": (READER,)}

    assert verdict_of(a_machine(people=people, confirmations=(told,))).outcome is Outcome.CLEAR
    machine = a_machine(people=people, confirmations=(told_of_another,))
    assert answer_of("people.sessions", verdict_of(machine)) is FIX


def test_a_session_from_afar_must_end_before_the_flash():
    machine = a_machine(people={"sessions": (FROM_AFAR,)})

    assert answer_of("people.sessions", verdict_of(machine)) is PASS
    assert answer_of("people.remote", verdict_of(machine)) is FIX
    assert answer_of("people.remote", verdict_of(machine, moment=Moment.SPOT)) is STOP


def test_a_session_of_unknown_origin_counts_as_one_at_the_machine():
    machine = a_machine(people={"sessions": (replace(READER, remote=NOT_SEEN),)})

    assert answer_of("people.sessions", verdict_of(machine)) is FIX


def test_sessions_that_cannot_be_seen_are_asked_for():
    verdict = verdict_of(a_machine(people={"sessions": NOT_SEEN}))

    assert answer_of("people.sessions", verdict) is UNKNOWN
    assert answer_of("people.remote", verdict) is None


# ---- evidence ----------------------------------------------------------------------------------


def test_old_evidence_is_told_at_the_desk_and_blocks_on_the_spot():
    old = a_machine(power={"seen_at": NOW - timedelta(hours=5)})

    assert verdict_of(old).outcome is Outcome.PREPARE
    assert verdict_of(old, moment=Moment.SPOT).outcome is Outcome.HOLD


def test_power_seen_an_hour_ago_is_recent_at_the_desk_and_old_on_the_spot():
    hour_old = a_machine(power={"seen_at": NOW - timedelta(hours=1)})

    assert answer_of("evidence.power_age", verdict_of(hour_old)) is PASS
    assert answer_of("evidence.power_age", verdict_of(hour_old, moment=Moment.SPOT)) is STOP


@pytest.mark.parametrize(
    ("seconds", "answer"), [(0, PASS), (300, PASS), (-301, FIX), (301, FIX), (NOT_SEEN, UNKNOWN)]
)
def test_a_clock_that_is_off_makes_ages_doubtful(seconds, answer):
    machine = a_machine(clock_difference_seconds=seconds)

    assert answer_of("evidence.clock", verdict_of(machine)) is answer


def test_a_probe_that_failed_is_looked_at_by_a_person():
    failing = (ProbeRun(name="power", duration_ms=10_000, failure="took longer than 10 s"),)

    verdict = verdict_of(a_machine(agent={"probes": failing}))

    assert answer_of("evidence.probes", verdict) is UNKNOWN


# ---- time --------------------------------------------------------------------------------------


def test_a_verdict_says_until_when_it_holds():
    verdict = verdict_of()

    # power was seen two minutes ago and is recent for four hours
    assert verdict.holds_until == NOW + timedelta(hours=4) - timedelta(minutes=2)


def test_the_answer_changes_when_the_verdict_says_so():
    before = verdict_of()
    assert before.holds_until is not None

    assert verdict_of(now=before.holds_until - timedelta(seconds=1)).outcome is Outcome.CLEAR
    assert verdict_of(now=before.holds_until).outcome is Outcome.PREPARE


def test_a_young_release_holds_until_it_is_old_enough():
    need = replace(
        NEED,
        target=replace(TARGET, released_on=date(2026, 5, 1)),
        reasons=(replace(HOLE, priority=Priority.SCHEDULED),),
    )

    verdict = verdict_of(need=need)
    waiting = [check for check in verdict.checks if check.code == "need.release_age"]

    assert [check.remedy for check in waiting] == ["wait until 2026-05-15"]
