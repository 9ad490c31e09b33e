"""What was seen of one machine at one moment: wire version 1.

A report is an envelope and nine sections. It is immutable, and it is evidence, not judgement:
nothing here says whether a value is good.

- The envelope is strict: a report without a valid one is refused.
- Sections are forgiving (`flashworthy_common.values`): every value is a value or the reason why
  it is missing, so that one odd probe never silences a machine. A section that is missing or
  unreadable as a whole is a section in which every value carries that reason.
- Each section says when it was seen and from what source; a report may carry older answers.
- No key material, and no titles of windows or documents, have a place here.

Units stand in the names: sizes in bytes, shares in percent from 0 to 100, durations in seconds.
"""

from dataclasses import fields
from datetime import datetime
from enum import Enum
from typing import Annotated, Any, TypeVar

from flashworthy_common.errors import MalformedValueError
from flashworthy_common.records import record
from flashworthy_common.values import (
    NOT_REPORTED,
    Bounds,
    Bytes,
    Count,
    Maybe,
    Milliseconds,
    Percent,
    Quantity,
    Seconds,
    Unknown,
    from_json,
    to_json,
)

WIRE_VERSION = 1

Load = Annotated[float, Bounds(0, 1000, "percent")]  # an overloaded UPS says more than 100


class Source(Enum):
    """Where a report comes from."""

    AGENT = "agent"
    FILE = "file"  # carried by hand
    PERSON = "person"  # a person's word


class Why(Enum):
    """Why a report was made."""

    SCHEDULE = "schedule"
    START_UP = "start-up"
    SPOT = "spot"
    BY_HAND = "by-hand"


class BootMode(Enum):
    UEFI = "uefi"
    LEGACY = "legacy"


class ProtectorKind(Enum):
    """What releases the key of an encrypted volume."""

    TPM = "tpm"
    PASSPHRASE = "passphrase"  # noqa: S105  (a kind, not a secret)
    BOTH = "both"
    OTHER = "other"


@record
class Section:
    """What every section says of itself."""

    seen_at: Maybe[datetime] = NOT_REPORTED
    source: str = "not named"  # such as "raw SMBIOS table" or "/sys/class/power_supply"


@record
class IdentitySection(Section):
    """Evidence for which machine this is; no single value proves it."""

    smbios_uuid: Maybe[str] = NOT_REPORTED
    system_serial: Maybe[str] = NOT_REPORTED
    board_serial: Maybe[str] = NOT_REPORTED
    asset_tag: Maybe[str] = NOT_REPORTED
    hostname: Maybe[str] = NOT_REPORTED
    place: Maybe[str] = NOT_REPORTED  # names from the outside in, joined by " / "


@record
class MachineSection(Section):
    """What the machine calls itself, verbatim."""

    maker: Maybe[str] = NOT_REPORTED
    product: Maybe[str] = NOT_REPORTED
    version: Maybe[str] = NOT_REPORTED
    sku: Maybe[str] = NOT_REPORTED
    family: Maybe[str] = NOT_REPORTED
    board_maker: Maybe[str] = NOT_REPORTED
    board: Maybe[str] = NOT_REPORTED
    board_version: Maybe[str] = NOT_REPORTED
    chassis_type: Maybe[Count] = NOT_REPORTED  # DSP0134 §7.4.1, lock bit masked
    virtual: Maybe[bool] = NOT_REPORTED
    virtual_evidence: Maybe[str] = NOT_REPORTED  # what says so


@record
class EsrtEntry:
    """One entry of the EFI System Resource Table (UEFI §23.4), numbers as they stand there."""

    firmware_class: str  # GUID
    firmware_type: Count  # 1 is system firmware
    version: Count
    lowest_supported_version: Maybe[Count] = NOT_REPORTED
    capsule_flags: Maybe[Count] = NOT_REPORTED
    last_attempt_version: Maybe[Count] = NOT_REPORTED
    last_attempt_status: Maybe[Count] = NOT_REPORTED


@record
class FirmwareSection(Section):
    """The machine's own firmware; texts verbatim, reading them is the server's work."""

    maker: Maybe[str] = NOT_REPORTED
    version_text: Maybe[str] = NOT_REPORTED
    date_text: Maybe[str] = NOT_REPORTED
    rom_bytes: Maybe[Bytes] = NOT_REPORTED
    release: Maybe[str] = NOT_REPORTED  # system BIOS major.minor, decimal
    controller_release: Maybe[str] = NOT_REPORTED  # embedded controller major.minor
    flash_upgradeable: Maybe[bool] = NOT_REPORTED
    boot_mode: Maybe[BootMode] = NOT_REPORTED
    secure_boot: Maybe[bool] = NOT_REPORTED
    setup_mode: Maybe[bool] = NOT_REPORTED
    esrt: Maybe[tuple[EsrtEntry, ...]] = NOT_REPORTED
    update_queued: Maybe[tuple[str, ...]] = NOT_REPORTED  # what waits for the next restart
    comes_with_os: Maybe[bool] = NOT_REPORTED  # is updated by the operating system's own updates


@record
class Component:
    """One part with firmware of its own; shown, not judged."""

    kind: str  # drive, network adapter, TPM, management controller, microcode, ...
    name: str
    version_text: Maybe[str] = NOT_REPORTED


@record
class ComponentsSection(Section):
    items: Maybe[tuple[Component, ...]] = NOT_REPORTED


@record
class Battery:
    """One battery of the machine itself; energy and charge are never converted or mixed."""

    name: str
    state: Maybe[str] = NOT_REPORTED  # charging, discharging, not charging, full
    percent: Maybe[Percent] = NOT_REPORTED
    energy_mwh: Maybe[Quantity] = NOT_REPORTED
    full_mwh: Maybe[Quantity] = NOT_REPORTED
    design_mwh: Maybe[Quantity] = NOT_REPORTED
    charge_mah: Maybe[Quantity] = NOT_REPORTED
    full_mah: Maybe[Quantity] = NOT_REPORTED
    design_mah: Maybe[Quantity] = NOT_REPORTED
    draw_mw: Maybe[Quantity] = NOT_REPORTED
    draw_ma: Maybe[Quantity] = NOT_REPORTED
    cycles: Maybe[Count] = NOT_REPORTED
    runtime_seconds: Maybe[Seconds] = NOT_REPORTED  # at its draw of the moment


@record
class Ups:
    """One uninterruptible power supply as its server tells it (RFC 9271)."""

    name: str
    status_text: Maybe[str] = NOT_REPORTED  # space-separated words of RFC 9271 Table 4
    charge_percent: Maybe[Percent] = NOT_REPORTED
    runtime_seconds: Maybe[Seconds] = NOT_REPORTED
    load_percent: Maybe[Load] = NOT_REPORTED
    shuts_this_down: Maybe[bool] = NOT_REPORTED  # this machine shuts down on its command


@record
class PowerSupply:
    """One power supply unit of SMBIOS type 39."""

    name: str
    present: Maybe[bool] = NOT_REPORTED
    unplugged: Maybe[bool] = NOT_REPORTED
    redundancy_group: Maybe[Count] = NOT_REPORTED  # 0: not redundant
    status: Maybe[str] = NOT_REPORTED


@record
class PowerSection(Section):
    mains: Maybe[bool] = NOT_REPORTED  # power from outside reaches the machine
    batteries: Maybe[tuple[Battery, ...]] = NOT_REPORTED
    ups: Maybe[tuple[Ups, ...]] = NOT_REPORTED
    supplies: Maybe[tuple[PowerSupply, ...]] = NOT_REPORTED


@record
class PendingUpdates:
    """What the operating system's own package manager would install now."""

    count: Count
    security_count: Maybe[Count] = NOT_REPORTED
    names: tuple[str, ...] = ()  # at most a few, to recognise them by
    kept_back: tuple[str, ...] = ()  # what it would not install although there is newer
    source: str = "not named"
    seen_at: Maybe[datetime] = NOT_REPORTED  # when it was asked; the answer may be a kept one
    lists_at: Maybe[datetime] = NOT_REPORTED  # when its lists were last fetched


@record
class InstalledVersion:
    """The version of one driver or package that the plan asks for."""

    name: str
    version_text: Maybe[str] = NOT_REPORTED


@record
class SoftwareSection(Section):
    os_name: Maybe[str] = NOT_REPORTED
    os_version: Maybe[str] = NOT_REPORTED
    os_build: Maybe[str] = NOT_REPORTED
    kernel: Maybe[str] = NOT_REPORTED
    pending_updates: Maybe[PendingUpdates] = NOT_REPORTED
    restart_pending: Maybe[tuple[str, ...]] = NOT_REPORTED  # why; empty: none is pending
    installed: Maybe[tuple[InstalledVersion, ...]] = NOT_REPORTED
    system_free_bytes: Maybe[Bytes] = NOT_REPORTED
    esp_free_bytes: Maybe[Bytes] = NOT_REPORTED  # EFI system partition


@record
class Volume:
    """Encryption of one volume; never any key material."""

    name: str
    is_system: bool
    encrypted: Maybe[bool] = NOT_REPORTED
    protector: Maybe[ProtectorKind] = NOT_REPORTED
    protector_id: Maybe[str] = NOT_REPORTED
    suspended_restarts: Maybe[Count] = NOT_REPORTED  # 0: protection is on


@record
class ProtectionSection(Section):
    volumes: Maybe[tuple[Volume, ...]] = NOT_REPORTED


@record
class Session:
    """One person logged on."""

    user: str
    remote: Maybe[bool] = NOT_REPORTED
    idle_seconds: Maybe[Seconds] = NOT_REPORTED


@record
class PeopleSection(Section):
    sessions: Maybe[tuple[Session, ...]] = NOT_REPORTED
    installers: Maybe[tuple[str, ...]] = NOT_REPORTED  # installers and update programs running
    inhibitors: Maybe[tuple[str, ...]] = NOT_REPORTED  # programs that hold off a shutdown


@record
class ProbeRun:
    """How one probe of the agent went."""

    name: str
    duration_ms: Milliseconds
    failure: str | None = None


@record
class AgentSection(Section):
    version: Maybe[str] = NOT_REPORTED
    configuration_digest: Maybe[str] = NOT_REPORTED
    spool_depth: Maybe[Count] = NOT_REPORTED
    dropped_reports: Maybe[Count] = NOT_REPORTED
    set_aside_reports: Maybe[Count] = NOT_REPORTED  # refused by the server, kept on the machine
    probes: Maybe[tuple[ProbeRun, ...]] = NOT_REPORTED


@record
class Report:
    """One report; the fields before `identity` are the envelope."""

    report_id: str  # UUIDv7 (RFC 9562)
    agent_id: str  # UUID
    sequence: int  # counts up per agent, survives restarts
    taken_at: datetime
    source: Source
    why: Why
    uptime_seconds: Maybe[Seconds] = NOT_REPORTED
    identity: IdentitySection = IdentitySection()
    machine: MachineSection = MachineSection()
    firmware: FirmwareSection = FirmwareSection()
    components: ComponentsSection = ComponentsSection()
    power: PowerSection = PowerSection()
    software: SoftwareSection = SoftwareSection()
    protection: ProtectionSection = ProtectionSection()
    people: PeopleSection = PeopleSection()
    agent: AgentSection = AgentSection()


SECTIONS: dict[str, type[Section]] = {
    field.name: type(field.default)
    for field in fields(Report)
    if isinstance(field.default, Section)
}

S = TypeVar("S", bound=Section)


def unknown_section(kind: type[S], because: str, **known: Any) -> S:
    """A section in which every value that is not `known` is missing for one reason."""
    reason = Unknown(because)
    own = {field.name for field in fields(Section)}
    missing = {field.name: reason for field in fields(kind) if field.name not in own}
    return kind(**(missing | known))


def report_to_json(report: Report) -> dict[str, Any]:
    """The report as wire version 1."""
    return {"wire": WIRE_VERSION, **to_json(report)}


def report_from_json(data: dict[str, Any], problems: list[str] | None = None) -> Report:
    """A report from wire version 1, forgiving in its sections.

    Raises:
        MalformedValueError: the envelope is wrong.
    """
    found: list[str] = []
    try:
        report = from_json(Report, data, found)  # as nearly all come
    except MalformedValueError:
        found = []
        report = _report_of_parts(data, found)
    if problems is not None:
        problems += found
    return report


def _report_of_parts(data: dict[str, Any], problems: list[str]) -> Report:
    """A report of which a whole section is malformed, or the envelope."""
    envelope = {name: value for name, value in data.items() if name not in SECTIONS}
    sections: dict[str, Any] = {
        name: section_from_json(name, data[name], problems) for name in SECTIONS if name in data
    }
    return Report(**vars(from_json(Report, envelope, problems)) | sections)


def section_from_json(name: str, data: Any, problems: list[str]) -> Section:
    """The section `name` from decoded JSON, malformed or not.

    What is malformed carries its reason, and each such problem is added to `problems` in words.
    """
    kind = SECTIONS[name]
    try:
        section = from_json(kind, data, problems, name)
    except MalformedValueError as error:
        problems.append(str(error))
        return unknown_section(kind, f"malformed: {error}")
    return section
