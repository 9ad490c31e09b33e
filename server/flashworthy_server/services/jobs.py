"""Jobs: long work that somebody asked for, done in the background, told as it goes.

- A job stands in the database until it has ended, so it can be left and returned to, and a restart
  loses nothing: one whose worker fell silent is begun anew by another. So what a job does must be
  right when it is done twice.
- It acts for whoever asked for it, by the role they had then.
- Only they and administrators see it. What ended is forgotten after `Config.jobs_kept_days`.
- How far it has come is kept about once a second, and never within a transaction of its own: what
  it writes there is there as a whole, or not at all.

What there is to do is told by `services.long_work`.
"""

import logging
import uuid
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import timedelta
from enum import Enum
from typing import Any

from flashworthy_server.db import Connection
from flashworthy_server.errors import (
    BadRow,
    BadRowsError,
    ForbiddenError,
    NotFoundError,
    ServerError,
)
from flashworthy_server.services import audit
from flashworthy_server.services.needs import Progress
from flashworthy_server.services.who import Kind, Role, Who
from flashworthy_server.site import Site
from flashworthy_server.store import jobs as store
from flashworthy_server.store.jobs import StoredJob as StoredJob

MOST_TRIES = 3  # a job that took its worker with it so often is given up
MOST_BAD_ROWS = 100  # kept of a document that cannot be taken
_HELD_SECONDS = 120  # longer than a job is silent; two at once do the same twice, and no harm
_TOLD_SECONDS = 1  # between two notes of how far it has come
_log = logging.getLogger(__name__)


class State(Enum):
    WAITING = "waiting"
    RUNNING = "running"
    DONE = "done"
    FAILED = "failed"


ENDED = frozenset({State.DONE.value, State.FAILED.value})


@dataclass(frozen=True, slots=True)
class Result:
    """What came of a job: told on its page, and a file to be fetched, where there is one."""

    told: Any  # as JSON knows it
    output: bytes | None = None


@dataclass(frozen=True, slots=True)
class Task:
    """A job as whoever does it sees it."""

    site: Site
    job: StoredJob
    who: Who
    progress: Progress

    def content(self) -> bytes:
        """The file that came with the job, or with the one that it follows."""
        with self.site.database.reading() as connection:
            return store.input_of(connection, self.job.follows or self.job.id)


Work = Callable[[Task], Result]


# ---- asking -----------------------------------------------------------------------------------


def start(
    site: Site,
    who: Who,
    kind: str,
    about: str,
    given: Any = None,
    *,
    content: bytes | None = None,
    follows: int | None = None,
) -> int:
    """Ask for a job; its id. What is asked to follow a job that something follows is that.

    Args:
        given: what it works from, as JSON knows it; no secrets.
        content: of a file that comes with it.
        follows: the job whose result it carries out.
    """
    now = site.clock()
    values = {
        "kind": kind,
        "about": about,
        "given": given,
        "asked_by": str(who),
        "who": _written(who),
        "follows": follows,
        "state": State.WAITING.value,
    }
    with site.database.writing() as connection:
        store.forget_jobs(connection, now - timedelta(days=site.config.jobs_kept_days))
        if follows is not None and (known := store.job_following(connection, follows)):
            return known
        job_id = store.add_job(connection, values=values, content=content, now=now)
        after = {"kind": kind, "about": about, "given": given}
        audit.record(connection, who, now, "job.start", f"job #{job_id}", after=after)
    return job_id


def view(site: Site, who: Who, job_id: int) -> StoredJob:
    """A job of one's own; for an administrator, anyone's.

    Raises:
        NotFoundError: there is no such job.
        ForbiddenError: it is somebody else's.
    """
    with site.database.reading() as connection:
        found = store.load_job(connection, job_id)
    if found is None:
        days = site.config.jobs_kept_days
        raise NotFoundError(f"there is no job #{job_id}; jobs are forgotten {days} days after")
    if found.asked_by != str(who) and who.role is not Role.ADMINISTRATOR:
        raise ForbiddenError(f"job #{job_id} is somebody else's")
    return found


def list_jobs(
    site: Site, who: Who, *, before: int | None, count: int
) -> tuple[list[StoredJob], int | None]:
    """At most `count` jobs that one may see, newest first, and where the next ones begin."""
    asked_by = None if who.role is Role.ADMINISTRATOR else str(who)
    with site.database.reading() as connection:
        found = store.load_jobs(connection, asked_by=asked_by, before=before, count=count + 1)
    shown = found[:count]
    return shown, shown[-1].id if len(found) > count else None


def following(site: Site, job_id: int) -> int | None:
    """The job that carries out what this one found; none: nobody has asked for it."""
    with site.database.reading() as connection:
        return store.job_following(connection, job_id)


def output(site: Site, who: Who, job_id: int) -> bytes:
    """The file that came of a job.

    Raises:
        NotFoundError: none came of it.
    """
    if not view(site, who, job_id).has_output:
        raise NotFoundError(f"no file came of job #{job_id}")
    with site.database.reading() as connection:
        return store.output_of(connection, job_id)


# ---- doing ------------------------------------------------------------------------------------


def run_waiting(site: Site, works: Mapping[str, Work]) -> int:
    """Do every job that waits, and those whose worker fell silent; how many there were."""
    count = 0
    while (job_id := _next(site)) is not None:
        run(site, works, job_id)
        count += 1
    return count


def run(site: Site, works: Mapping[str, Work], job_id: int) -> None:
    """Do one job, unless somebody does so already."""
    holder = str(uuid.uuid4())
    with site.database.writing() as connection:
        job = _take(site, connection, job_id, holder)
    if job is None:
        return
    if job.tries > MOST_TRIES:
        state, result = State.FAILED, Result({"says": f"it was begun {MOST_TRIES} times in vain"})
    else:
        state, result = _tried(site, works, job, holder)
    with site.database.writing() as connection:
        store.end_job(
            connection,
            job_id,
            holder,
            state=state.value,
            result=result.told,
            output=result.output,
            now=site.clock(),
        )


def _next(site: Site) -> int | None:
    with site.database.reading() as connection:
        return store.next_to_do(connection, State.WAITING.value, State.RUNNING.value, site.clock())


def _take(site: Site, connection: Connection, job_id: int, holder: str) -> StoredJob | None:
    now = site.clock()
    return store.take_job(
        connection,
        job_id,
        holder,
        waiting=State.WAITING.value,
        running=State.RUNNING.value,
        now=now,
        until=now + timedelta(seconds=_HELD_SECONDS),
    )


def _tried(
    site: Site, works: Mapping[str, Work], job: StoredJob, holder: str
) -> tuple[State, Result]:
    task = Task(site, job, _read(job.who), _Told(site, job.id, holder))
    try:
        return State.DONE, works[job.kind](task)
    except BadRowsError as error:
        return State.FAILED, Result(told_of_rows(error))
    except ServerError as error:
        return State.FAILED, Result({"says": str(error)})
    except Exception:  # noqa: BLE001  (the boundary: one job that fails stops no other)
        _log.exception("job #%s failed", job.id)
        return State.FAILED, Result({"says": "an error of the server's own; its log has more"})


def told_of_rows(error: BadRowsError) -> dict[str, Any]:
    """What is wrong with a document, row by row, as far as it is kept."""
    shown = error.rows[:MOST_BAD_ROWS]
    return {
        "says": str(error),
        "rows": [_told_of_row(row) for row in shown],
        "more": len(error.rows) - len(shown),
    }


def _told_of_row(row: BadRow) -> dict[str, Any]:
    return {"line": row.line, "where": row.where, "reason": row.reason}


class _Told:
    """Keeps how far a job has come, now and then."""

    def __init__(self, site: Site, job_id: int, holder: str) -> None:
        self._site, self._job_id, self._holder = site, job_id, holder
        self._next_at = site.clock()

    def __call__(self, part: str, done: int, total: int) -> None:
        now = self._site.clock()
        if now < self._next_at or self._site.database.is_writing:
            return  # somebody writes, perhaps this job: the next call tells it
        self._next_at = now + timedelta(seconds=_TOLD_SECONDS)
        until = now + timedelta(seconds=_HELD_SECONDS)
        with self._site.database.writing() as connection:
            store.save_progress(connection, self._job_id, self._holder, (part, done, total), until)


def _written(who: Who) -> dict[str, Any]:
    return {
        "kind": who.kind.value,
        "name": who.name,
        "role": who.role.value if who.role else None,
        "address": who.address,
        "account_id": who.account_id,
    }


def _read(data: dict[str, Any]) -> Who:
    kind, role = Kind(data["kind"]), data["role"]
    return Who(**{**data, "kind": kind, "role": Role(role) if role else None})
