"""Builders: a machine that is fit in every respect, and the one fact that a test is about.

The makers, models and people are invented.
"""

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

from flashworthy_common.confirmations import Confirmation, Confirmed
from flashworthy_common.makers import Combination
from flashworthy_common.need import Need, Standing
from flashworthy_common.paths import WayBack
from flashworthy_common.policy import DEFAULT_POLICY
from flashworthy_common.readiness import Machine, Moment, Verdict, assess
from flashworthy_common.reasons import Priority, Reason, ReasonKind, StatedReason
from flashworthy_common.releases import Release, Requirements, Review, Way
from flashworthy_common.report import (
    AgentSection,
    Battery,
    BootMode,
    FirmwareSection,
    IdentitySection,
    MachineSection,
    PendingUpdates,
    PeopleSection,
    PowerSection,
    ProbeRun,
    ProtectionSection,
    ProtectorKind,
    Report,
    SoftwareSection,
    Source,
    Ups,
    Volume,
    Why,
)

NOW = datetime(2026, 5, 4, 10, 0, tzinfo=UTC)
SEEN = {"seen_at": NOW - timedelta(minutes=2), "source": "the test's own scenario"}

PORTABLE, DESKTOP, SERVER, OTHER = 9, 3, 17, 1  # chassis types, DSP0134 §7.4.1

BATTERY = Battery(name="BAT0", state="full", percent=96.0, full_mwh=45_000.0, design_mwh=50_000.0)
READY_UPS = Ups(name="desk-ups", status_text="OL CHRG", charge_percent=100.0, runtime_seconds=7_200)

PLAIN_VOLUME = Volume(name="system", is_system=True, encrypted=False)
SEALED_VOLUME = Volume(
    name="system",
    is_system=True,
    encrypted=True,
    protector=ProtectorKind.TPM,
    protector_id="7f3a-11c0",
    suspended_restarts=0,
)

FIT_REPORT = Report(
    report_id="018f42d5-6800-7000-8000-000000000001",
    agent_id="7b0c5a44-0a55-4c5e-9d4f-52d1a1f2b801",
    sequence=12,
    taken_at=NOW - timedelta(minutes=2),
    source=Source.AGENT,
    why=Why.SCHEDULE,
    uptime_seconds=86_400,
    identity=IdentitySection(**SEEN, hostname="reading-room-4"),
    machine=MachineSection(
        **SEEN, maker="Quillmark", product="Folio 14", chassis_type=PORTABLE, virtual=False
    ),
    firmware=FirmwareSection(
        **SEEN,
        maker="Brightloom",
        version_text="1.29",
        date_text="05/04/2023",
        boot_mode=BootMode.UEFI,
        secure_boot=True,
        esrt=(),
        update_queued=(),
    ),
    power=PowerSection(**SEEN, mains=True, batteries=(BATTERY,), ups=()),
    software=SoftwareSection(
        **SEEN,
        os_name="Alderleaf",
        os_version="12",
        os_build="12.11",
        pending_updates=PendingUpdates(count=0, security_count=0),
        restart_pending=(),
        system_free_bytes=40_000_000_000,
    ),
    protection=ProtectionSection(**SEEN, volumes=(PLAIN_VOLUME,)),
    people=PeopleSection(**SEEN, sessions=(), installers=()),
    agent=AgentSection(**SEEN, version="0.1.0", probes=(ProbeRun(name="power", duration_ms=3),)),
)

HOLE = Reason(
    kind=ReasonKind.SECURITY,
    priority=Priority.OUT_OF_CYCLE,
    says="closes a hole that is being exploited",
    source="https://quillmark.example/folio-14/notes",
    because="set by hand",
    version_text="1.34",
)
TARGET = Release(
    machine_maker="Quillmark",
    models=("Folio 14",),
    version_text="1.34",
    released_on=date(2026, 3, 2),
    reasons=(
        StatedReason(kind=HOLE.kind, says=HOLE.says, source=HOLE.source, priority=HOLE.priority),
    ),
    ways=(Way.INSIDE_OS,),
    minutes=25,
    restarts=1,
)
REVIEW = Review(
    machine_maker="Quillmark",
    models=("Folio 14",),
    reviewed_at=NOW - timedelta(days=3),
    reviewed_by="Ida Fenwick",
    source="https://quillmark.example/folio-14",
    newest_version_text="1.34",
)
NEED = Need(
    running="1.29",
    standing=Standing.BEHIND,
    because="1.34 is on offer, newer than 1.29",
    review=REVIEW,
    target=TARGET,
    reasons=(HOLE,),
    path=("1.29", "1.34"),
    way_back=WayBack(
        allowed=True, says="the maker allows going back to 1.20 and later", package_of="1.29"
    ),
)
FOLIO = Combination(
    machine_maker="Quillmark",
    model="Folio 14",
    board="QF14",
    board_version="A",
    version_text="1.29",
)


def a_report(**sections):
    """The fit report; a section given as a dict of fields changes only those."""
    changed = {
        name: replace(getattr(FIT_REPORT, name), **value) if isinstance(value, dict) else value
        for name, value in sections.items()
    }
    return replace(FIT_REPORT, **changed)


def a_machine(
    *,
    marked="",
    clock_difference_seconds=0,
    confirmations=(),
    packages=("1.29",),
    **sections,
):
    return Machine(
        name="reading-room-4",
        place="Alder Lane / ground floor / reading room",
        report=a_report(**sections),
        marked=marked,
        received_at=NOW - timedelta(minutes=2),
        clock_difference_seconds=clock_difference_seconds,
        confirmations=confirmations,
        packages=packages,
    )


def a_desktop(*, ups=(READY_UPS,), **sections):
    """A machine without a battery."""
    power = {"batteries": (), "ups": ups} | sections.pop("power", {})
    machine = {"chassis_type": DESKTOP} | sections.pop("machine", {})
    return a_machine(power=power, machine=machine, **sections)


def a_target(**requirements):
    """The need, with a target that asks for these things first."""
    target = replace(TARGET, requires=Requirements(**requirements))
    return replace(NEED, target=target)


def verdict_of(
    machine=None, need=NEED, *, policy=DEFAULT_POLICY, moment=Moment.DESK, now=NOW
) -> Verdict:
    return assess(machine or a_machine(), need, policy, moment, now)


def confirmed(what: Confirmed, of: str = "", *, at: datetime = NOW - timedelta(hours=1)):
    return Confirmation(what=what, of=of, by="Ida Fenwick", at=at)


def answer_of(code: str, verdict: Verdict):
    """The answer of one check; none if it was not asked."""
    return next((check.answer for check in verdict.checks if check.code == code), None)
