"""Long work: what was asked for, how far it has come, what came of it."""

import zlib
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import ColumnElement, Connection, Row, Select, delete, insert, select, update

from flashworthy_server.tables import jobs


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredJob:
    id: int
    kind: str
    about: str
    given: Any  # as JSON knows it
    asked_by: str
    who: Any
    asked_at: datetime
    follows: int | None  # the job whose result it carries out
    state: str
    tries: int
    part: str  # of what `done` of `total` are done; empty: not told yet
    done: int
    total: int
    ended_at: datetime | None
    result: Any
    has_output: bool


_BULKY = ("input", "output")
_SELECT: Select[Any] = select(
    *(column for column in jobs.c if column.name not in _BULKY),
    jobs.c.output.is_not(None).label("has_output"),
)


def add_job(
    connection: Connection, *, values: dict[str, Any], content: bytes | None, now: datetime
) -> int:
    """Add a job that waits.

    Args:
        values: kind, about, given, asked_by, who, follows and state.
        content: of the file that came with it.
    """
    packed = None if content is None else zlib.compress(content)
    fixed = {"asked_at": now, "tries": 0, "part": "", "done": 0, "total": 0, "result": None}
    added = insert(jobs).values(**values, **fixed, input=packed).returning(jobs.c.id)
    return int(connection.execute(added).scalar_one())


def load_job(connection: Connection, job_id: int) -> StoredJob | None:
    row = connection.execute(_SELECT.where(jobs.c.id == job_id)).one_or_none()
    return None if row is None else _job(row)


def job_following(connection: Connection, job_id: int) -> int | None:
    """The job that carries out what another one found."""
    return connection.scalar(select(jobs.c.id).where(jobs.c.follows == job_id))


def load_jobs(
    connection: Connection, *, asked_by: str | None, before: int | None, count: int
) -> list[StoredJob]:
    """At most `count` jobs with an id below `before`, newest first; without a name, of everyone."""
    query = _SELECT
    if asked_by is not None:
        query = query.where(jobs.c.asked_by == asked_by)
    if before is not None:
        query = query.where(jobs.c.id < before)
    rows = connection.execute(query.order_by(jobs.c.id.desc()).limit(count))
    return [_job(row) for row in rows]


def input_of(connection: Connection, job_id: int) -> bytes:
    return _unpacked(connection.scalar(select(jobs.c.input).where(jobs.c.id == job_id)))


def output_of(connection: Connection, job_id: int) -> bytes:
    return _unpacked(connection.scalar(select(jobs.c.output).where(jobs.c.id == job_id)))


def next_to_do(connection: Connection, waiting: str, running: str, now: datetime) -> int | None:
    """The job that waits longest, or whose worker fell silent."""
    to_do = (jobs.c.state == waiting) | _is_left(running, now)
    return connection.scalar(select(jobs.c.id).where(to_do).order_by(jobs.c.id).limit(1))


def take_job(
    connection: Connection,
    job_id: int,
    holder: str,
    *,
    waiting: str,
    running: str,
    now: datetime,
    until: datetime,
) -> StoredJob | None:
    """Begin a job; none where somebody else works at it, or it has ended."""
    free = (jobs.c.state == waiting) | _is_left(running, now)
    taken = connection.execute(
        update(jobs)
        .where(jobs.c.id == job_id, free)
        .values(state=running, tries=jobs.c.tries + 1, held_by=holder, held_until=until)
    )
    return load_job(connection, job_id) if taken.rowcount == 1 else None


def save_progress(
    connection: Connection,
    job_id: int,
    holder: str,
    progress: tuple[str, int, int],
    until: datetime,
) -> None:
    """Keep how far it has come, and that its worker is alive."""
    part, done, total = progress
    connection.execute(
        update(jobs)
        .where(jobs.c.id == job_id, jobs.c.held_by == holder)
        .values(part=part, done=done, total=total, held_until=until)
    )


def end_job(
    connection: Connection,
    job_id: int,
    holder: str,
    *,
    state: str,
    result: Any,
    output: bytes | None,
    now: datetime,
) -> None:
    """Keep what came of it, unless another worker began it anew."""
    packed = None if output is None else zlib.compress(output)
    connection.execute(
        update(jobs)
        .where(jobs.c.id == job_id, jobs.c.held_by == holder)
        .values(state=state, result=result, output=packed, ended_at=now, held_until=None)
    )


def forget_jobs(connection: Connection, ended_before: datetime) -> None:
    connection.execute(delete(jobs).where(jobs.c.ended_at < ended_before))


def _is_left(running: str, now: datetime) -> ColumnElement[bool]:
    """Whether whoever began it is no longer heard of."""
    return (jobs.c.state == running) & (jobs.c.held_until <= now)


def _unpacked(content: bytes | None) -> bytes:
    return b"" if content is None else zlib.decompress(content)


def _job(row: Row[Any]) -> StoredJob:
    names = StoredJob.__dataclass_fields__
    return StoredJob(**{name: value for name, value in row._mapping.items() if name in names})
