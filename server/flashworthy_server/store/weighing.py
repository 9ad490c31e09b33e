"""What reasons are weighed by: the site's inputs, advisories, and the known exploited holes."""

from collections.abc import Iterable, Sequence
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, delete, insert, select

from flashworthy_common.kev import ExploitedVulnerability
from flashworthy_common.values import from_json, to_json
from flashworthy_common.weighing import Advisory, SiteInputs
from flashworthy_server.db import upsert
from flashworthy_server.tables import advisories, exploited, settings

_INPUTS, _CATALOGUE = "weighing", "exploited"


def load_inputs(connection: Connection) -> SiteInputs:
    value = load_setting(connection, _INPUTS)
    return SiteInputs() if value is None else from_json(SiteInputs, value)


def save_inputs(connection: Connection, inputs: SiteInputs, now: datetime) -> None:
    save_setting(connection, _INPUTS, to_json(inputs), now)


# ---- advisories -------------------------------------------------------------------------------


def advisories_by_id(connection: Connection, ids: Iterable[str]) -> dict[str, Advisory]:
    rows = connection.scalars(
        select(advisories.c.facts).where(advisories.c.id.in_(list(ids))).order_by(advisories.c.id)
    )
    return {each.id: each for each in (from_json(Advisory, facts) for facts in rows)}


def load_advisories(connection: Connection, *, after: str, count: int) -> Sequence[Advisory]:
    """At most `count` advisories with an id after `after`, in the order of their ids."""
    wanted = select(advisories.c.facts).where(advisories.c.id > after)
    rows = connection.scalars(wanted.order_by(advisories.c.id).limit(count))
    return [from_json(Advisory, facts) for facts in rows]


def all_advisories(connection: Connection) -> list[Advisory]:
    rows = connection.scalars(select(advisories.c.facts).order_by(advisories.c.id))
    return [from_json(Advisory, facts) for facts in rows]


def save_advisory(connection: Connection, advisory: Advisory, now: datetime) -> None:
    values = {"facts": to_json(advisory), "recorded_at": now}
    statement = upsert(advisories).values(id=advisory.id, **values)
    connection.execute(statement.on_conflict_do_update(index_elements=["id"], set_=values))


# ---- known exploited --------------------------------------------------------------------------


def load_catalogue(connection: Connection) -> dict[str, Any] | None:
    """What is known of the catalogue itself; none: no catalogue was recorded."""
    found: dict[str, Any] | None = load_setting(connection, _CATALOGUE)
    return found


def exploited_among(connection: Connection, ids: Iterable[str]) -> frozenset[str]:
    """Those of the ids that are known to be exploited."""
    return frozenset(
        connection.scalars(select(exploited.c.id).where(exploited.c.id.in_(list(ids))))
    )


def all_exploited(connection: Connection) -> frozenset[str]:
    return frozenset(connection.scalars(select(exploited.c.id)))


def replace_exploited(
    connection: Connection,
    vulnerabilities: Iterable[ExploitedVulnerability],
    catalogue: dict[str, Any],
    now: datetime,
) -> None:
    connection.execute(delete(exploited))
    rows = [
        {
            "id": each.id,
            "added_on": each.added_on,
            "due_on": each.due_on,
            "ransomware": each.ransomware,
        }
        for each in vulnerabilities
    ]
    if rows:
        connection.execute(insert(exploited), rows)
    save_setting(connection, _CATALOGUE, catalogue, now)


# ---- settings ---------------------------------------------------------------------------------


def load_setting(connection: Connection, name: str) -> Any:
    """The value as JSON knows it; none: it was never set."""
    return connection.scalar(select(settings.c.value).where(settings.c.name == name))


def save_setting(connection: Connection, name: str, value: Any, now: datetime) -> None:
    values = {"value": value, "set_at": now}
    statement = upsert(settings).values(name=name, **values)
    connection.execute(statement.on_conflict_do_update(index_elements=["name"], set_=values))
