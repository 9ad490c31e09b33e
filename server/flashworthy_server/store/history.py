"""What only grows: reports as they came, and firmware changes."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import Connection, insert, select

from flashworthy_common.attention import FirmwareChange
from flashworthy_common.report import Report
from flashworthy_common.versions import Order
from flashworthy_server.store.packing import packed_text
from flashworthy_server.tables import firmware_changes, reports


@dataclass(frozen=True, slots=True)
class StoredReport:
    """One line of a machine's history."""

    id: int
    report_id: str
    sequence: int
    taken_at: datetime
    received_at: datetime
    source: str
    why: str
    kept_as: str


def machine_of_report(connection: Connection, report_id: str) -> int | None:
    """The machine that has this report already; none if nobody has."""
    return connection.scalar(select(reports.c.machine_id).where(reports.c.report_id == report_id))


def has_sequence(connection: Connection, machine_id: int, agent_id: str, sequence: int) -> bool:
    """Whether an agent of a machine gave a number to a report that is here."""
    wanted = (
        reports.c.machine_id == machine_id,
        reports.c.agent_id == agent_id,
        reports.c.sequence == sequence,
    )
    return connection.scalar(select(reports.c.id).where(*wanted).limit(1)) is not None


def add_report(
    connection: Connection,
    machine_id: int,
    report: Report,
    body: bytes,
    *,
    received_at: datetime,
    kept_as: str,
) -> None:
    """Add a report with its body as it came (decompressed)."""
    connection.execute(
        insert(reports).values(
            report_id=report.report_id,
            machine_id=machine_id,
            agent_id=report.agent_id,
            sequence=report.sequence,
            taken_at=report.taken_at,
            received_at=received_at,
            source=report.source.value,
            why=report.why.value,
            kept_as=kept_as,
            body=packed_text(body),
        )
    )


def load_reports(
    connection: Connection, machine_id: int, *, before: int | None, count: int
) -> list[StoredReport]:
    """At most `count` reports of a machine, newest first, those that came before `before`."""
    query = select(reports).where(reports.c.machine_id == machine_id)
    if before is not None:
        query = query.where(reports.c.id < before)
    rows = connection.execute(query.order_by(reports.c.id.desc()).limit(count))
    return [
        StoredReport(
            row.id,
            row.report_id,
            row.sequence,
            row.taken_at,
            row.received_at,
            row.source,
            row.why,
            row.kept_as,
        )
        for row in rows
    ]


def add_change(
    connection: Connection, machine_id: int, change: FirmwareChange, flash_id: int | None
) -> None:
    """Add a change, with the flash that it came of; none: nobody planned it."""
    connection.execute(
        insert(firmware_changes).values(
            machine_id=machine_id,
            from_text=change.from_text,
            to_text=change.to_text,
            from_seen_at=change.from_seen_at,
            to_seen_at=change.to_seen_at,
            order=change.order.value,
            flash_id=flash_id,
        )
    )


def load_changes(connection: Connection, machine_id: int, count: int) -> Sequence[FirmwareChange]:
    """The newest firmware changes of a machine, newest first."""
    rows = connection.execute(
        select(firmware_changes)
        .where(firmware_changes.c.machine_id == machine_id)
        .order_by(firmware_changes.c.id.desc())
        .limit(count)
    )
    return [
        FirmwareChange(
            from_text=row.from_text,
            to_text=row.to_text,
            from_seen_at=row.from_seen_at,
            to_seen_at=row.to_seen_at,
            order=Order(row.order),
            is_planned=row.flash_id is not None,
        )
        for row in rows
    ]
