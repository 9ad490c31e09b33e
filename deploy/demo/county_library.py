"""The invented site of the demo: Wendle County Libraries, its branches and its machines.

    python county_library.py --server URL --code CODE      enrols and reports every machine
    python county_library.py --releases                    prints the releases document
    python county_library.py --server URL --code CODE --machine NAME --runs VERSION
                                                           one machine starts again after a flash

Makers, models, people and places are made up. Every machine goes through the same HTTP API as a
real agent's reports: it enrols with the code, and posts one report or two.
"""

import argparse
import hashlib
import itertools
import json
import sys
import uuid
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, timedelta
from email.utils import format_datetime
from pathlib import Path
from typing import Any

import requests

from flashworthy_common.ids import uuid7
from flashworthy_common.report import (
    AgentSection,
    Battery,
    BootMode,
    EsrtEntry,
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
    Session,
    SoftwareSection,
    Source,
    Ups,
    Volume,
    Why,
    report_to_json,
)
from flashworthy_common.values import Unknown, to_json, write_time

COUNTY = "Wendle County Libraries"
BRANCHES = (
    *("Alder Lane", "Birchwick", "Castle Row", "Dunmere", "Elmford", "Fallow Hill"),
    *("Gorse End", "Harbour Street", "Ivy Bridge", "Juniper Close", "Kelling", "Larkfield"),
)
NEXT_VISIT, LAST_VISIT = "Mossgate", "Netherby"  # two more branches, with a visit each
HERE = Path(__file__).parent
WRITTEN_ON = date(2026, 6, 20)  # the day that the dates in releases.json are seen from
SOURCE = "the demo's invented machines"
AFTER_FLASH = 100  # sequence number, above those of the first reports


@dataclass(frozen=True)
class Model:
    maker: str
    product: str
    board: str
    firmware_maker: str
    chassis_type: int  # DSP0134 §7.4.1
    room: str
    has_battery: bool = False


FOLIO_14 = Model("Quillmark", "Folio 14", "QF14", "Brightloom", 10, "staff room", True)
FOLIO_11 = Model("Quillmark", "Folio 11", "QF11", "Brightloom", 31, "lending desk", True)
CARREL_5 = Model("Tarnbrook", "Carrel 5", "TC5-B", "Tarnbrook", 3, "reading room")
NOOK = Model("Tarnbrook", "Nook 2", "TN2", "Tarnbrook", 35, "study booth")
CARREL_ONE = Model("Tarnbrook", "Carrel One", "TC1", "Tarnbrook", 13, "children's corner")
LECTERN = Model("Osier & Vane", "Lectern M", "H07", "Brightloom", 35, "catalogue station")
WARDEN = Model("Osier & Vane", "Warden R2", "W22", "Brightloom", 17, "server cupboard")


@dataclass(frozen=True)
class Case:
    """One machine: what is special about it, section by section."""

    model: Model
    version_text: str
    date_text: str
    sections: dict[str, dict[str, Any]] = field(default_factory=dict)
    earlier_version_text: str = ""  # reported a day before
    branch: str = ""  # where it stands; empty: by its number
    is_silent: bool = False  # it reported last a week ago


BATTERY = Battery(
    name="BAT0",
    state="full",
    percent=97.0,
    energy_mwh=43_600.0,
    full_mwh=45_000.0,
    design_mwh=50_000.0,
    cycles=212,
)
UPS = Ups(
    name="desk-ups",
    status_text="OL CHRG",
    charge_percent=100.0,
    runtime_seconds=4_200,
    load_percent=22.0,
    shuts_this_down=False,
)
SYSTEM_ESRT = EsrtEntry(
    firmware_class="6b1c5f2e-0d9a-4c1e-8f55-0c9f3f1f7a10",
    firmware_type=1,
    version=0x0001001D,
    lowest_supported_version=0x00010014,
    last_attempt_version=0x00010022,
    last_attempt_status=5,
)

ON_MAINS: dict[str, dict[str, Any]] = {}
ON_BATTERY = {
    "power": {
        "mains": False,
        "batteries": (replace(BATTERY, state="discharging", percent=62.0),),
    }
}
NEARLY_EMPTY = {"power": {"batteries": (replace(BATTERY, state="charging", percent=18.0),)}}
WORN = {"power": {"batteries": (replace(BATTERY, full_mwh=19_000.0),)}}
RESTART = {"software": {"restart_pending": ("a newer kernel is installed than the running one",)}}
BUSY = {"people": {"sessions": (Session(user="reader", remote=False, idle_seconds=40),)}}
INSTALLING = {"people": {"installers": ("apt-get",)}}
QUEUED = {"firmware": {"update_queued": ("a capsule file on the EFI system partition",)}}
NOT_AUTHENTIC = {"firmware": {"esrt": (SYSTEM_ESRT,)}}
ON_UPS = {"power": {"ups": (UPS,)}}
UPS_ON_BATTERY = {"power": {"ups": (replace(UPS, status_text="OB DISCHRG"),)}}
SEALED = {
    "protection": {
        "volumes": (
            Volume(
                name="system",
                is_system=True,
                encrypted=True,
                protector=ProtectorKind.TPM,
                protector_id="7f3a-11c0",
                suspended_restarts=0,
            ),
        )
    }
}
BLIND = {"power": {"batteries": Unknown("permission denied: /sys/class/power_supply")}}
GUEST = {
    "machine": {"virtual": True, "virtual_evidence": "SMBIOS type 0: virtual machine"},
}


def machines() -> Iterator[Case]:
    """The machines of the county, about eighty."""
    for sections in (ON_MAINS, SEALED, BUSY, ON_BATTERY, NEARLY_EMPTY, RESTART, QUEUED, WORN):
        yield Case(FOLIO_14, "1.29", "05/04/2023", sections)
    yield Case(FOLIO_14, "1.29", "05/04/2023", NOT_AUTHENTIC)
    for sections in (ON_MAINS, ON_BATTERY, INSTALLING):
        yield Case(FOLIO_14, "1.31", "11/18/2025", sections, earlier_version_text="1.29")
    for _ in range(4):
        yield Case(FOLIO_14, "1.34", "06/02/2026")
    for _ in range(8):
        yield Case(FOLIO_11, "2.03", "09/14/2024")
    for _ in range(10):
        yield Case(CARREL_5, "T.19", "02/06/2024")
    for _ in range(4):
        yield Case(CARREL_5, "T.1B", "10/21/2025")
    for sections in (ON_UPS, ON_MAINS, ON_MAINS, RESTART, ON_UPS, UPS_ON_BATTERY):
        yield Case(CARREL_ONE, "T.07", "03/01/2022", sections)
    for sections in (ON_UPS, ON_UPS, ON_UPS, ON_MAINS, ON_MAINS, UPS_ON_BATTERY, BLIND, BUSY):
        yield Case(LECTERN, "H07 v01.09", "07/19/2024", sections)
    for _ in range(2):
        yield Case(LECTERN, "H07 v01.02", "01/12/2021", ON_UPS)
    yield Case(WARDEN, "W22 v02.40", "04/04/2024", ON_UPS)
    yield Case(CARREL_5, "Default string", "Default string")
    yield Case(CARREL_5, "4.6.5", "08/15/2013")
    for _ in range(2):
        yield Case(CARREL_5, "T.19", "02/06/2024", GUEST)
    for _ in range(2):
        yield Case(NOOK, "T.20", "11/30/2024", ON_UPS)
    for _ in range(4):
        yield Case(FOLIO_11, "2.03", "09/14/2024")
    for _ in range(6):
        yield Case(CARREL_5, "T.19", "02/06/2024")
    yield from machines_of_the_next_visit()
    yield from machines_of_last_week()


def machines_of_the_next_visit() -> Iterator[Case]:
    """Two to go to, two to prepare, one on hold, and one to be left alone."""
    for sections in (ON_MAINS, ON_MAINS, ON_BATTERY, RESTART, QUEUED):
        yield Case(FOLIO_14, "1.29", "05/04/2023", sections, branch=NEXT_VISIT)
    yield Case(FOLIO_14, "1.34", "06/02/2026", branch=NEXT_VISIT)


def machines_of_last_week() -> Iterator[Case]:
    """Two that came back with what was meant, and one that nobody has heard of since."""
    for _ in range(2):
        yield Case(FOLIO_14, "1.34", "06/02/2026", branch=LAST_VISIT)
    yield Case(FOLIO_14, "1.29", "05/04/2023", branch=LAST_VISIT, is_silent=True)


def report_of(case: Case, number: int, sequence: int, taken_at: datetime) -> Report:
    """The report of one machine at one moment; everything about it follows from its number."""
    seen: dict[str, Any] = {"seen_at": taken_at - timedelta(seconds=3), "source": SOURCE}
    model, tag = case.model, f"WCL-{number:04d}"
    sections: dict[str, Any] = {
        "identity": IdentitySection(
            **seen,
            smbios_uuid=str(_uuid(tag, "hardware")),
            system_serial=f"{model.board}{number:06d}",
            asset_tag=tag,
            hostname=hostname(case, number),
            place=place(case, number),
        ),
        "machine": MachineSection(
            **seen,
            maker=model.maker,
            product=model.product,
            board_maker=model.maker,
            board=model.board,
            board_version="A2",
            chassis_type=model.chassis_type,
            virtual=False,
        ),
        "firmware": FirmwareSection(
            **seen,
            maker=model.firmware_maker,
            version_text=case.version_text,
            date_text=case.date_text,
            flash_upgradeable=True,
            boot_mode=BootMode.UEFI,
            secure_boot=True,
            setup_mode=False,
            esrt=(),
            update_queued=(),
        ),
        "power": PowerSection(
            **seen,
            mains=True if model.has_battery else Unknown("no mains supply is shown"),
            batteries=(BATTERY,) if model.has_battery else (),
            ups=(),
        ),
        "software": SoftwareSection(
            **seen,
            os_name="Alderleaf",
            os_version="12",
            os_build="12.11",
            kernel="6.1.0-40",
            pending_updates=PendingUpdates(
                count=number % 7,
                security_count=number % 3,
                source="the package manager",
                **_at(seen),
            ),
            restart_pending=(),
            system_free_bytes=(18 + number) * 1_000_000_000,
        ),
        "protection": ProtectionSection(
            **seen, volumes=(Volume(name="system", is_system=True, encrypted=False),)
        ),
        "people": PeopleSection(**seen, sessions=(), installers=()),
        "agent": AgentSection(
            **seen,
            version="0.1.0",
            spool_depth=0,
            dropped_reports=0,
            probes=(
                ProbeRun(name="firmware", duration_ms=4),
                ProbeRun(name="power", duration_ms=2),
            ),
        ),
    }
    for name, special in case.sections.items():
        sections[name] = replace(sections[name], **special)
    return Report(
        report_id=str(uuid7(round(taken_at.timestamp() * 1000), _bits(tag, sequence))),
        agent_id=str(_uuid(tag, "agent")),
        sequence=sequence,
        taken_at=taken_at,
        source=Source.AGENT,
        why=Why.SCHEDULE,
        uptime_seconds=3_600 * (number + 2),
        **sections,
    )


def hostname(case: Case, number: int) -> str:
    branch = _branch(case, number).lower().replace(" ", "-")
    return f"{branch}-{case.model.product.lower().replace(' ', '-')}-{number:02d}"


def place(case: Case, number: int) -> str:
    return f"{_branch(case, number)} / {case.model.room}"


def reports_of(case: Case, number: int, now: datetime) -> Iterator[Report]:
    sequence = itertools.count(1)
    if case.earlier_version_text:
        earlier = replace(case, version_text=case.earlier_version_text, sections={})
        yield report_of(earlier, number, next(sequence), now - timedelta(days=1))
    yield report_of(case, number, next(sequence), now - timedelta(minutes=number % 50))


def report_after_flash(name: str, version_text: str, now: datetime) -> Report:
    """What the machine of this name says when it starts again and runs this version."""
    for number, case in enumerate(machines(), 1):
        if hostname(case, number) == name:
            flashed = replace(case, version_text=version_text)
            report = report_of(flashed, number, AFTER_FLASH, now)
            return replace(report, why=Why.START_UP, uptime_seconds=60)
    sys.exit(f"expected the name of one of the machines, got {name!r}")


def releases_document(now: datetime) -> dict[str, Any]:
    """The releases as old as when they were written, with reviews that are two days old."""
    document: dict[str, Any] = json.loads((HERE / "releases.json").read_text(encoding="utf-8"))
    passed = now.date() - WRITTEN_ON
    for release in document["releases"]:
        released_on = date.fromisoformat(release["released_on"]) + passed
        release["released_on"] = released_on.isoformat()
    for review in document["reviews"]:
        review["reviewed_at"] = write_time(now - timedelta(days=2))
    return document


def send_all(server: str, code: str, now: datetime) -> None:
    """Enrol and report every machine."""
    count = 0
    with requests.Session() as session:
        for number, case in enumerate(machines(), 1):
            if case.is_silent:
                continue
            reports = list(reports_of(case, number, now))
            token = _enrol(session, server, code, reports[0])
            for report in reports:
                _post(session, server, token, report)
            count += 1
            if sys.stdout.isatty():
                print(f"\r{count} machines", end="", flush=True)
    print(f"\r{count} machines enrolled and reported")


def send_one(server: str, code: str, report: Report) -> None:
    """Send one report; its agent joins again, since nobody kept its token."""
    with requests.Session() as session:
        _post(session, server, _enrol(session, server, code, report), report)


def _enrol(session: requests.Session, server: str, code: str, report: Report) -> str:
    answer = session.post(
        f"{server}/api/v1/enrolments",
        json={
            "code": code,
            "agent_id": report.agent_id,
            "place": report.identity.place,
            "identity": to_json(report.identity),
            "machine": to_json(report.machine),
        },
        timeout=10,
    )
    _check(answer)
    return str(answer.json()["token"])


def _post(session: requests.Session, server: str, token: str, report: Report) -> None:
    headers = {
        "Authorization": f"Bearer {token}",
        "Date": format_datetime(datetime.now(UTC), usegmt=True),
    }
    answer = session.post(
        f"{server}/api/v1/reports", json=report_to_json(report), headers=headers, timeout=10
    )
    _check(answer)


def _check(answer: requests.Response) -> None:
    if not answer.ok:
        sys.exit(f"{answer.request.method} {answer.url}: {answer.status_code} {answer.text}")


def _at(seen: dict[str, Any]) -> dict[str, Any]:
    return {"seen_at": seen["seen_at"], "lists_at": seen["seen_at"] - timedelta(hours=6)}


def _branch(case: Case, number: int) -> str:
    return case.branch or BRANCHES[number % len(BRANCHES)]


def _uuid(tag: str, what: str) -> uuid.UUID:
    digest = hashlib.sha256(f"{COUNTY} {tag} {what}".encode()).digest()
    return uuid.UUID(bytes=digest[:16], version=4)


def _bits(tag: str, sequence: int) -> int:
    digest = hashlib.sha256(f"{tag} report {sequence}".encode()).digest()
    return int.from_bytes(digest, "big") % (1 << 74)


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("--server", help="such as http://127.0.0.1:8437")
    options.add_argument("--code", help="an enrolment code with enough uses")
    options.add_argument("--releases", action="store_true", help="print the releases document")
    options.add_argument("--machine", metavar="NAME", help="only this one, after a flash")
    options.add_argument("--runs", metavar="VERSION", help="what it runs now")
    chosen = options.parse_args()
    now = datetime.now(UTC)
    if chosen.releases:
        json.dump(releases_document(now), sys.stdout, indent=2)
    elif chosen.machine:
        report = report_after_flash(chosen.machine, chosen.runs, now)
        send_one(chosen.server, chosen.code, report)
    else:
        send_all(chosen.server, chosen.code, now)


if __name__ == "__main__":
    main()
