"""Reviews: a person read a maker's page, and says what it offers.

One reading records all that a person can say in a minute: the newest version on offer, a reason
for it or none, where and when it was read. A version that is not recorded yet becomes a release
about which nothing else is known; a reason that is new is added to it.
"""

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import date, datetime
from typing import Any

from flashworthy_common.makers import Combination, canonical_machine_maker
from flashworthy_common.need import Need
from flashworthy_common.ordering import Ordering
from flashworthy_common.reasons import StatedReason
from flashworthy_common.values import Unknown, to_json, write_time
from flashworthy_server.documents import Document, Row
from flashworthy_server.errors import BadRow, BadRowsError, NotFoundError
from flashworthy_server.services import needs, releases
from flashworthy_server.services.reading import read_one
from flashworthy_server.services.who import Who
from flashworthy_server.site import Site
from flashworthy_server.store import counts
from flashworthy_server.store import knowledge as store
from flashworthy_server.store.knowledge import StoredRelease, StoredReview


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """What one look at a maker's page says of some models."""

    machine_maker: str
    models: tuple[str, ...]
    source: str  # the page, best as a link
    newest_version_text: str = ""  # the newest on offer; empty: none is
    released_on: date | None = None  # of that version
    reason: StatedReason | None = None  # for it; none: the page states none
    reviewed_at: datetime | None = None  # none: now
    reviewed_by: str = ""  # empty: whoever records it


def record_reading(site: Site, who: Who, data: Any) -> releases.Imported:
    """Record a reading: a review, and the release that it tells of.

    Raises:
        BadRowsError: it is wrong; each field is named.
    """
    bad: list[BadRow] = []
    read = read_one(Reading, data, site.clock(), bad)
    if read is None:
        raise BadRowsError(bad)
    reading, document = read.statement, Document()
    document.rows["reviews"].append(Row("", None, _review(site, who, reading)))
    if reading.newest_version_text:
        document.rows["releases"].append(Row("", None, _release(site, reading)))
    try:
        return releases.import_document(site, who, document)
    except BadRowsError as error:
        raise BadRowsError(_of_reading(error.rows)) from error


@dataclass(frozen=True, slots=True)
class ToReview:
    """A combination as whoever reads its maker's page sees it."""

    combination_id: int
    combination: Combination
    need: Need
    machines: int  # in service
    releases: list[StoredRelease]  # that are recorded for it, newest first


def to_review(site: Site, combination_id: int) -> ToReview:
    """What is known of one combination.

    Raises:
        NotFoundError: no machine was ever of it.
    """
    with site.database.reading() as connection:
        stored = needs.load_all(connection, [combination_id]).get(combination_id)
        if stored is None:
            raise NotFoundError(f"there is no combination #{combination_id}")
        combination = stored.combination
        found = needs.releases_for(connection, combination)
        machines = counts.machines_of(connection, [combination_id]).get(combination_id, 0)
        need = needs.with_observation(connection, stored, stored.need)
    ordering = Ordering.of(combination)
    found.sort(key=lambda each: ordering.place(each.release.version_text), reverse=True)
    return ToReview(combination_id, combination, need, machines, found)


def list_reviews(
    site: Site, *, maker: str | None, before: int | None, count: int
) -> tuple[list[StoredReview], int | None]:
    """At most `count` reviews, newest first, and the id before which the next ones stand."""
    name = None if maker is None else canonical_machine_maker(maker)
    wanted = maker if isinstance(name, Unknown) else name
    with site.database.reading() as connection:
        found = store.load_reviews(connection, maker=wanted, before=before, count=count + 1)
    shown = found[:count]
    return shown, shown[-1].id if len(found) > count else None


def _of_reading(rows: Iterable[BadRow]) -> list[BadRow]:
    """Faults of review and release as those of the reading, each once."""
    names = {"version_text": "newest_version_text", "notes_url": "source"}
    return list(dict.fromkeys(replace(row, field=names.get(row.field, row.field)) for row in rows))


def _review(site: Site, who: Who, reading: Reading) -> dict[str, Any]:
    return {
        "machine_maker": reading.machine_maker,
        "models": list(reading.models),
        "reviewed_at": write_time(reading.reviewed_at or site.clock()),
        "reviewed_by": reading.reviewed_by or who.known_as,
        "source": reading.source,
        "newest_version_text": reading.newest_version_text,
    }


def _release(site: Site, reading: Reading) -> dict[str, Any]:
    """The release as it is recorded, with the reason; or a new one."""
    known = releases.find_release(
        site, reading.machine_maker, reading.models, reading.newest_version_text
    )
    if known is None:
        is_link = reading.source.startswith("https://")
        whole: dict[str, Any] = {
            "machine_maker": reading.machine_maker,
            "models": list(reading.models),
            "version_text": reading.newest_version_text,
            "notes_url": reading.source if is_link else "",
            "reasons": [],
        }
    else:
        whole = to_json(known.release)
    if reading.released_on:
        whole["released_on"] = reading.released_on.isoformat()
    reason = to_json(reading.reason)
    if reason and reason not in whole["reasons"]:
        whole["reasons"].append(reason)
    return whole
