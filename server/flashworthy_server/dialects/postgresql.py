"""PostgreSQL, for more than one server process or machine.

- Writers take an advisory lock of the database at their begin, so that they come one after the
  other as on SQLite, and no rule has to be written twice. Those that add reports share it, one in
  each process.
- A reader sees one state throughout (REPEATABLE READ); what was committed survives a power cut
  whatever the cluster's own default is (synchronous_commit).
- The address may name several hosts: the one that takes writes is used, and looked for anew when
  the connection breaks.
- `reports` is split by the month in which a report came, `report_ids` by the month that stands in
  the id itself (UUIDv7): one id always falls into one part, so that the primary key of that part
  keeps it unique over all. What no part was made for lies in `..._other` until one is.
"""

from collections.abc import Iterable, Iterator
from contextlib import AbstractContextManager, contextmanager, nullcontext
from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import Any
from uuid import UUID

from sqlalchemy import URL, Connection, Engine, event, text
from sqlalchemy.exc import DBAPIError, OperationalError

from flashworthy_server.errors import BusyError, DatabaseError, NoSpaceError, ServerError

_CONNECT = {
    "target_session_attrs": "read-write",  # of several hosts, the one that takes writes
    "connect_timeout": 5,  # seconds for each host
    "tcp_user_timeout": 10_000,  # milliseconds, after which a host that is gone is given up
    "keepalives_idle": 10,  # seconds without a word, and then
    "keepalives_interval": 3,
    "keepalives_count": 3,
}
# By SQLSTATE, appendix A of PostgreSQL 15's documentation; two digits are a class.
_READ_ONLY = "25006"
_DISK_FULL = "53100"
_PASSING = (
    "08",  # connection exceptions
    "53",  # too few resources: connections, disk, memory
    "57P",  # the server is stopped or starts
    "55P03",  # a lock was not to be had in time
    _READ_ONLY,  # what took writes is a standby now
)
# `off` alone would acknowledge what a power cut takes away; every other value is the site's choice.
_AT_LEAST_ON_DISK = """
SELECT set_config('synchronous_commit', 'on', false)
WHERE current_setting('synchronous_commit') = 'off'
"""
# Sorted by bytes as on SQLite, and no index breaks when the system's rules of sorting change.
_BY_BYTES = ("C", "POSIX", "C.UTF-8", "C.utf8")
_MAKE_IT = "make it with: createdb --template=template0 --encoding=UTF8 --locale=C NAME"

_COUNTED = text(
    "SELECT table_name, column_name FROM information_schema.columns"
    " WHERE table_schema = current_schema() AND column_default LIKE 'nextval(%'"
)
_TRIGGERING = text(
    "SELECT DISTINCT event_object_table FROM information_schema.triggers"
    " WHERE trigger_schema = current_schema()"
)
_GO_ON = text("SELECT setval(pg_get_serial_sequence(:table, :column), :last)")

_NAMESPACE = 0x666C  # of this program's advisory locks in a database
_QUEUE = text(f"SELECT pg_advisory_xact_lock({_NAMESPACE}, 0)")
_QUEUE_TOGETHER = text(f"SELECT pg_advisory_xact_lock_shared({_NAMESPACE}, 0)")
_TRY_TASK = text(f"SELECT pg_try_advisory_lock({_NAMESPACE}, hashtext(:task))")
_END_TASK = text(f"SELECT pg_advisory_unlock({_NAMESPACE}, hashtext(:task))")
_DROP_WAIT = "3s"  # for readers under way; behind it others wait


class PostgreSQL:
    """See `flashworthy_server.dialects.dialect.Dialect`."""

    history_key: tuple[str, ...] = ("machine_id", "number", "received_at")
    splits_history = True

    def __init__(self, url: URL) -> None:
        told = {name: value for name, value in _CONNECT.items() if name not in url.query}
        self.engine_options: dict[str, Any] = {
            "connect_args": told,
            "pool_pre_ping": True,  # a connection that broke while it was idle is made anew
            "max_overflow": 15,  # beside the 5 that stay open: two for each thread that serves
        }
        self.reading_options: dict[str, Any] = {
            "isolation_level": "REPEATABLE READ",
            "postgresql_readonly": True,
        }
        self.asking_options: dict[str, Any] = {"isolation_level": "AUTOCOMMIT"}
        self.writing_options: dict[str, Any] = {
            "isolation_level": "READ COMMITTED"  # sees what the writers before it wrote
        }

    def prepare(self, engine: Engine, wait_seconds: int) -> None:
        milliseconds = max(1, wait_seconds * 1000)  # 0 would be for ever
        session = {"TimeZone": "UTC", "lock_timeout": f"{milliseconds}"}

        @event.listens_for(engine, "connect")
        def set_up(connection: Any, record: Any) -> None:
            for name, value in session.items():
                connection.execute("SELECT set_config(%s, %s, false)", (name, value))
            connection.execute(_AT_LEAST_ON_DISK)
            connection.commit()

        @event.listens_for(engine, "handle_error")
        def look_for_another(context: Any) -> None:
            if getattr(context.original_exception, "sqlstate", None) == _READ_ONLY:
                context.is_disconnect = True

    def require_fit(self, connection: Connection) -> None:
        found = connection.exec_driver_sql(
            "SELECT datname, datcollate, pg_encoding_to_char(encoding)"
            " FROM pg_database WHERE datname = current_database()"
        ).one()
        if found.datcollate not in _BY_BYTES or found[2] != "UTF8":
            raise DatabaseError(
                f"expected a database in UTF8 that sorts by bytes, got {found.datname!r} in"
                f" {found[2]} that sorts by {found.datcollate!r}; {_MAKE_IT}"
            )

    def turn(self) -> AbstractContextManager[Any]:
        return nullcontext()

    def begin_reading(self, connection: Connection) -> None:
        """Its isolation level says it."""

    def begin_writing(self, connection: Connection, beside_others: bool) -> None:
        connection.execute(_QUEUE_TOGETHER if beside_others else _QUEUE)

    def meaning(self, error: DBAPIError) -> ServerError | None:
        state = getattr(error.orig, "sqlstate", None)
        if state == _DISK_FULL:
            return NoSpaceError("the disk that holds the database is full")
        passes = state.startswith(_PASSING) if state else isinstance(error, OperationalError)
        if passes or error.connection_invalidated:
            return BusyError("the database is busy or away: try again later")
        return None

    @contextmanager
    def alone(self, engine: Engine, task: str) -> Iterator[bool]:
        """By an advisory lock, which ends with its connection."""
        lock = {"task": task}
        with engine.connect() as plain:
            connection = plain.execution_options(isolation_level="AUTOCOMMIT")
            has_locked = bool(connection.scalar(_TRY_TASK, lock))
            try:
                yield has_locked
            finally:
                if has_locked:
                    connection.execute(_END_TASK, lock)

    def keep_growing_only(self, connection: Connection, table: str, says: str) -> None:
        connection.exec_driver_sql(
            f"CREATE OR REPLACE FUNCTION refuse_{table}() RETURNS trigger LANGUAGE plpgsql AS $$"
            f" BEGIN RAISE EXCEPTION '{says}'"
            " USING ERRCODE = 'integrity_constraint_violation'; END $$"
        )
        connection.exec_driver_sql(
            f"CREATE TRIGGER {table}_grows BEFORE UPDATE OR DELETE OR TRUNCATE ON {table}"
            f" FOR EACH STATEMENT EXECUTE FUNCTION refuse_{table}()"
        )

    @contextmanager
    def without_triggers(self, connection: Connection) -> Iterator[None]:
        tables = connection.scalars(_TRIGGERING).all()
        for table in tables:
            connection.exec_driver_sql(f"ALTER TABLE {table} DISABLE TRIGGER USER")
        yield
        for table in tables:
            connection.exec_driver_sql(f"ALTER TABLE {table} ENABLE TRIGGER USER")

    def go_on_counting(self, connection: Connection) -> None:
        for table, column in connection.execute(_COUNTED).all():
            last = connection.exec_driver_sql(f"SELECT max({column}) FROM {table}").scalar()  # noqa: S608  (own names)
            if last is not None:
                there = {"table": table, "column": column, "last": last}
                connection.execute(_GO_ON, there)

    def split_history(self, connection: Connection) -> None:
        for split in _SPLITS:
            connection.exec_driver_sql(
                f"CREATE TABLE {split.other} PARTITION OF {split.table} DEFAULT"
            )

    def make_months(self, connection: Connection, months: Iterable[date]) -> None:
        """With those in which reports lie that found no part."""
        wanted = {*months, *_months_in_other(connection)}
        for split in _SPLITS:
            there = {part.month for part in _parts(connection, split)}
            for month in sorted(wanted - there):
                _make_part(connection, split, month)

    def drop_months(self, connection: Connection, before: date) -> None:
        connection.exec_driver_sql(f"SET LOCAL lock_timeout = '{_DROP_WAIT}'")
        for split in _SPLITS:  # reports first: an id stays as long as its report
            for part in _parts(connection, split):
                if _next(part.month) <= before:
                    _drop_part(connection, split, part)
        connection.exec_driver_sql(_DROP_IDS_WITHOUT_REPORT)


# ---- history by month ------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Split:
    """A table that is split, by which column, and whether that is an id that carries its time."""

    table: str
    column: str
    by_id: bool

    @property
    def other(self) -> str:
        return f"{self.table}_other"

    def bound(self, month: date) -> str:
        """Where a month begins."""
        begin = datetime(month.year, month.month, 1, tzinfo=UTC)
        if not self.by_id:
            return begin.isoformat()
        milliseconds = int(begin.timestamp()) * 1000  # the first 48 bits: RFC 9562 §5.7
        return str(UUID(int=milliseconds << 80))


@dataclass(frozen=True, slots=True)
class _Part:
    name: str
    month: date


_SPLITS = (_Split("reports", "received_at", False), _Split("report_ids", "report_id", True))
_KEEP_IDS = """
INSERT INTO report_ids SELECT ids.* FROM {part} AS ids JOIN reports USING (machine_id, number)
"""
_DROP_IDS_WITHOUT_REPORT = """
DELETE FROM report_ids_other AS ids WHERE NOT EXISTS (
    SELECT FROM reports WHERE reports.machine_id = ids.machine_id AND reports.number = ids.number
)
"""


def _next(month: date) -> date:
    return date(month.year + month.month // 12, month.month % 12 + 1, 1)


def _parts(connection: Connection, split: _Split) -> list[_Part]:
    """Those of months, named like `reports_2026_05`."""
    found = connection.execute(
        text(
            "SELECT relname FROM pg_inherits JOIN pg_class ON pg_class.oid = inhrelid"
            " WHERE inhparent = CAST(:parent AS regclass)"
        ),
        {"parent": split.table},
    )
    names = sorted(name for (name,) in found if name != split.other)
    return [_Part(name, date(int(name[-7:-3]), int(name[-2:]), 1)) for name in names]


def _months_in_other(connection: Connection) -> list[date]:
    found = connection.exec_driver_sql(
        "SELECT DISTINCT date_trunc('month', received_at AT TIME ZONE 'UTC')::date"
        " FROM reports_other"
    )
    return [month for (month,) in found]


def _make_part(connection: Connection, split: _Split, month: date) -> None:
    """Make the part of a month, and move into it what came before it was there."""
    name = f"{split.table}_{month:%Y_%m}"
    begin, end = split.bound(month), split.bound(_next(month))
    connection.exec_driver_sql(f"CREATE TABLE {name} (LIKE {split.table} INCLUDING ALL)")
    within = f"FROM {split.other} WHERE {split.column} >= '{begin}' AND {split.column} < '{end}'"
    connection.exec_driver_sql(f"INSERT INTO {name} SELECT * {within}")
    connection.exec_driver_sql(f"DELETE {within}")
    connection.exec_driver_sql(
        f"ALTER TABLE {split.table} ATTACH PARTITION {name}"
        f" FOR VALUES FROM ('{begin}') TO ('{end}')"
    )


def _drop_part(connection: Connection, split: _Split, part: _Part) -> None:
    """Drop a month; of ids, those stay whose reports came in a later one."""
    connection.exec_driver_sql(f"ALTER TABLE {split.table} DETACH PARTITION {part.name}")
    if split.by_id:
        connection.exec_driver_sql(_KEEP_IDS.format(part=part.name))
    connection.exec_driver_sql(f"DROP TABLE {part.name}")
