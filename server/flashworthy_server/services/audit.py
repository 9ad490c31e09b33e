"""The audit trail: who changed what, when, from where, before and after.

- An entry is written in the transaction of the change that it tells of: both are there, or neither.
- Entries are never changed or removed; the database refuses it where it can.
- Each carries the SHA-256 digest of itself together with the digest of the one before, so that a
  changed, removed or inserted entry breaks the chain. What a chain cannot show is that its end was
  cut off: note a digest elsewhere, and ask later whether it still stands at its number.
"""

import hashlib
import json
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, fields, replace
from datetime import UTC, datetime
from typing import Any

from flashworthy_server.db import Connection
from flashworthy_server.errors import AuditError, NotFoundError
from flashworthy_server.services.who import Who
from flashworthy_server.site import Site
from flashworthy_server.store import audit as store
from flashworthy_server.store.audit import Entry as Entry
from flashworthy_server.store.audit import Filters as Filters

BEGIN = "0" * 64  # what stands for the digest before the first entry
JSON_LINES = "application/jsonl"  # the type of `json_lines`
_AT_ONCE = 1000  # entries read in one go


@dataclass(frozen=True, slots=True)
class Verified:
    """A chain without a break: how many entries it has, and the digest of the last."""

    entries: int
    digest: str


def record(
    connection: Connection,
    who: Who,
    now: datetime,
    action: str,
    subject: str,
    *,
    before: Any = None,
    after: Any = None,
) -> None:
    """Write one entry, in the transaction of the change.

    Args:
        action: noun and verb, such as ``machine.mark``.
        subject: what was changed, such as ``machine #12``.
        before: what of it changed, as JSON knows it; none where it was not there. No secrets.
        after: the same as it is now; none where it is gone.
    """
    record_all(connection, who, now, action, [(subject, before, after)])


def record_all(
    connection: Connection,
    who: Who,
    now: datetime,
    action: str,
    changes: Iterable[tuple[str, Any, Any]],
) -> None:
    """Write one entry for each of many changes: its subject, and what was before and after."""
    number, previous = store.last(connection) or (0, BEGIN)
    entries = []
    for subject, before, after in changes:
        number += 1
        entry = Entry(
            number=number,
            at=now,
            who=store.clean(str(who)),
            address=who.address,
            action=action,
            subject=store.clean(subject),
            before=_canonical(before),
            after=_canonical(after),
            digest="",
        )
        previous = digest_of(entry, previous)
        entries.append(replace(entry, digest=previous))
    store.add(connection, entries)


def digest_of(entry: Entry, previous: str) -> str:
    """SHA-256 over the canonical JSON of an entry and the digest of the one before, in hex."""
    told = told_of(entry) | {"digest": previous}
    return hashlib.sha256(_canonical(told).encode()).hexdigest()


def told_of(entry: Entry) -> dict[str, Any]:
    """An entry as JSON knows it, exactly as its digest is made, but for the digest itself."""
    exact_at = entry.at.astimezone(UTC).isoformat(timespec="microseconds")
    parsed = {"before": json.loads(entry.before), "after": json.loads(entry.after)}
    own = {field.name: getattr(entry, field.name) for field in fields(Entry)}
    return {**own, **parsed, "at": exact_at}


def verify(site: Site, *, noted: tuple[int, str] | None = None) -> Verified:
    """Follow the chain from its first entry to its last.

    Args:
        noted: number and digest of an entry as they were noted earlier, to be found unchanged.

    Raises:
        AuditError: an entry is changed, missing or inserted; or is not what was noted.
    """
    count, digest = 0, BEGIN
    for entry in all_entries(site):
        count += 1
        if entry.number != count:
            raise AuditError(f"entry {count} is missing: after {count - 1} comes {entry.number}")
        if entry.digest != digest_of(entry, digest):
            raise AuditError(f"entry {count} is not what was written: its digest differs")
        digest = entry.digest
        if noted and noted[0] == count and noted[1] != digest:
            raise AuditError(f"entry {count} has the digest {digest}, not the one that was noted")
    if noted and noted[0] > count:
        raise AuditError(f"entry {noted[0]} is missing: the last is {count}")
    return Verified(count, digest)


def all_entries(site: Site, filters: Filters | None = None) -> Iterator[Entry]:
    """Every entry, oldest first, read in parts so that memory stays flat."""
    after: int | None = 0
    while after is not None:
        with site.database.reading() as connection:
            found = store.load_after(connection, filters or Filters(), after, _AT_ONCE)
        yield from found
        after = found[-1].number if len(found) == _AT_ONCE else None


def json_lines(site: Site) -> Iterator[str]:
    """Every entry as one line of JSON, oldest first."""
    for entry in all_entries(site):
        yield json.dumps(told_of(entry)) + "\n"


def entry_of(site: Site, number: int) -> Entry:
    """One entry.

    Raises:
        NotFoundError: there is none of this number.
    """
    with site.database.reading() as connection:
        found = store.load_after(connection, Filters(), number - 1, 1)
    if not found or found[0].number != number:
        raise NotFoundError(f"there is no entry {number}")
    return found[0]


def newest_entries(
    site: Site, filters: Filters, *, before: int | None, count: int
) -> tuple[list[Entry], int | None]:
    """At most `count` entries, newest first, and the number before which the next ones stand."""
    with site.database.reading() as connection:
        found = store.load_before(connection, filters, before, count + 1)
    shown = found[:count]
    return shown, shown[-1].number if len(found) > count else None


def _canonical(value: Any) -> str:
    return json.dumps(value, sort_keys=True, separators=(",", ":"), ensure_ascii=True)
