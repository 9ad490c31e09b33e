"""What only grows: reports as they came, and firmware changes."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from sqlalchemy import Connection, Row, Text, bindparam, cast, delete, func, insert, select

from flashworthy_common.attention import FirmwareChange
from flashworthy_common.report import Report
from flashworthy_common.versions import Order
from flashworthy_server.dialects.many import among
from flashworthy_server.dialects.prepared import PreparedChange, PreparedQuery, whole_rows
from flashworthy_server.store.packing import Packed, unpacked_against, unpacked_text
from flashworthy_server.tables import firmware_changes, machines, report_ids, reports


@dataclass(frozen=True, slots=True)
class StoredReport:
    """One line of a machine's history."""

    number: int  # counts up per machine
    report_id: str
    sequence: int
    taken_at: datetime
    received_at: datetime
    source: str
    why: str
    kept_as: str


@dataclass(slots=True)  # not frozen: each report makes one
class NewReport:
    """A report to be added to a machine's history."""

    machine_id: int
    number: int
    report: Report
    packed: Packed
    received_at: datetime
    kept_as: str


@dataclass(frozen=True, slots=True)
class Month:
    """The reports that came in one month."""

    first: date
    reports: int
    body_bytes: int  # as they are kept


def machine_of_report(connection: Connection, report_id: str) -> int | None:
    """The machine that has this report already; none if nobody has."""
    return machines_of_reports(connection, [report_id]).get(report_id)


def machines_of_reports(connection: Connection, ids: Sequence[str]) -> dict[str, int]:
    """The machine of each of these reports that is here already, by the report's id."""
    if not ids:
        return {}
    rows = connection.execute(_MACHINES_OF_REPORTS, {"ids": ids})
    return {row.report_id: row.machine_id for row in rows}


_MACHINES_OF_REPORTS = select(report_ids.c.report_id, report_ids.c.machine_id).where(
    report_ids.c.report_id.in_(bindparam("ids", expanding=True))
)


def has_sequence(connection: Connection, machine_id: int, agent_id: str, sequence: int) -> bool:
    """Whether an agent of a machine gave a number to a report that is here."""
    wanted = (
        reports.c.machine_id == machine_id,
        reports.c.agent_id == agent_id,
        reports.c.sequence == sequence,
    )
    return connection.scalar(select(reports.c.number).where(*wanted).limit(1)) is not None


def add_reports(connection: Connection, added: Sequence[NewReport]) -> None:
    columns = [_columns(each) for each in added]
    _ADD_REPORT.execute(connection, columns)
    _ADD_ID.execute(connection, columns)


_ADD_REPORT, _ADD_ID = (PreparedChange(whole_rows(table)) for table in (reports, report_ids))


def _columns(added: NewReport) -> dict[str, Any]:
    report = added.report
    return {
        "machine_id": added.machine_id,
        "number": added.number,
        "report_id": report.report_id,
        "agent_id": report.agent_id,
        "sequence": report.sequence,
        "taken_at": report.taken_at,
        "received_at": added.received_at,
        "source": report.source.value,
        "why": report.why.value,
        "kept_as": added.kept_as,
        "whole": added.packed.whole,
        "body": added.packed.body,
    }


def load_body(connection: Connection, machine_id: int, number: int) -> bytes | None:
    """The body of a report as it came (decompressed); none: there is no such report."""
    found = _packed(connection, machine_id, number)
    if found is None or found.whole is None:
        return None if found is None else unpacked_text(found.body)
    whole = _packed(connection, machine_id, found.whole)
    return None if whole is None else unpacked_against(found.body, unpacked_text(whole.body))


def last_of_each_day(
    connection: Connection, machine_id: int, since: datetime
) -> list[tuple[int, datetime]]:
    """Number and time of the last report that came on each day (UTC) since then, newest first."""
    rows = connection.execute(
        select(reports.c.number, reports.c.received_at)
        .where(reports.c.machine_id == machine_id, reports.c.received_at >= since)
        .order_by(reports.c.number)
    )
    by_day = {received_at.date(): (number, received_at) for number, received_at in rows}
    return sorted(by_day.values(), reverse=True)


def _packed(connection: Connection, machine_id: int, number: int) -> Packed | None:
    row = connection.execute(
        select(reports.c.body, reports.c.whole).where(
            reports.c.machine_id == machine_id, reports.c.number == number
        )
    ).one_or_none()
    return None if row is None else Packed(row.body, row.whole)


def load_reports(
    connection: Connection, machine_id: int, *, before: int | None, count: int
) -> list[StoredReport]:
    """At most `count` reports of a machine, newest first, with a number below `before`."""
    query = select(reports).where(reports.c.machine_id == machine_id)
    if before is not None:
        query = query.where(reports.c.number < before)
    rows = connection.execute(query.order_by(reports.c.number.desc()).limit(count))
    return [
        StoredReport(
            row.number,
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
    return [_change(row) for row in rows]


def last_changes(
    connection: Connection, machine_ids: Sequence[int], since: datetime
) -> dict[int, FirmwareChange]:
    """The newest firmware change of each of these machines that had one since then."""
    if not machine_ids:
        return {}
    rows = _CHANGES_SINCE.rows(connection, ids=machine_ids, since=since)
    return {row.machine_id: _change(row) for row in rows}


_CHANGES_SINCE = PreparedQuery(
    select(firmware_changes)
    .where(among(firmware_changes.c.machine_id, "ids"))
    .where(firmware_changes.c.to_seen_at >= bindparam("since"))
    .order_by(firmware_changes.c.id)
)


def _change(row: Row[Any]) -> FirmwareChange:
    return FirmwareChange(
        from_text=row.from_text,
        to_text=row.to_text,
        from_seen_at=row.from_seen_at,
        to_seen_at=row.to_seen_at,
        order=Order(row.order),
        is_planned=row.flash_id is not None,
    )


def load_months(connection: Connection) -> list[Month]:
    """Oldest first."""
    month = func.substr(cast(reports.c.received_at, Text), 1, 7)  # each database writes 2026-05...
    rows = connection.execute(
        select(month, func.count(), func.sum(func.length(reports.c.body)))
        .group_by(month)
        .order_by(month)
    )
    return [Month(date.fromisoformat(f"{name}-01"), count, int(size)) for name, count, size in rows]


def delete_reports(connection: Connection, before: datetime, after: int, count: int) -> int | None:
    """Delete the reports, with their ids, that `count` machines sent before a time.

    Args:
        after: the id that those machines' ids are above.

    Returns:
        The id to go on after; none where those were the last machines.
    """
    found = select(machines.c.id).where(machines.c.id > after).order_by(machines.c.id).limit(count)
    ids = connection.scalars(found).all()
    if not ids:
        return None
    old = reports.c.machine_id.between(ids[0], ids[-1]) & (reports.c.received_at < before)
    of_old = select(reports.c.report_id).where(old)
    connection.execute(delete(report_ids).where(report_ids.c.report_id.in_(of_old)))
    connection.execute(delete(reports).where(old))
    return int(ids[-1])
