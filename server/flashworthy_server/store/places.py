"""Where machines stand: the site's rules, and the few columns that deciding it needs."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import Connection, bindparam, func, select, update

from flashworthy_common.values import from_json, to_json
from flashworthy_common.visits.place_rules import PlaceRule
from flashworthy_server.store.weighing import load_setting, save_setting
from flashworthy_server.tables import machines

_RULES = "place-rules"


@dataclass(frozen=True, slots=True)
class Standing:
    """Where a machine stands, and who says so."""

    id: int
    name: str
    address: str | None
    place: str | None
    place_by: str | None


def load_rules(connection: Connection) -> tuple[PlaceRule, ...]:
    """In the order in which they are tried."""
    return tuple(from_json(PlaceRule, each) for each in load_setting(connection, _RULES) or ())


def save_rules(connection: Connection, rules: Iterable[PlaceRule], now: datetime) -> None:
    save_setting(connection, _RULES, [to_json(rule) for rule in rules], now)


_STANDING = select(
    machines.c.id, machines.c.name, machines.c.address, machines.c.place, machines.c.place_by
).where(machines.c.out_of_service_at.is_(None))


def standing_after(connection: Connection, after: int, count: int) -> list[Standing]:
    """At most `count` machines in service with an id above `after`."""
    query = _STANDING.where(machines.c.id > after).order_by(machines.c.id).limit(count)
    return [Standing(*row) for row in connection.execute(query)]


def standing_of_names(connection: Connection, names: Sequence[str]) -> list[Standing]:
    """The machines in service of these names, in small letters."""
    query = _STANDING.where(func.lower(machines.c.name).in_(names)).order_by(machines.c.id)
    return [Standing(*row) for row in connection.execute(query)]


_SAVE = (
    update(machines)
    .where(machines.c.id == bindparam("number"))
    .values(place=bindparam("new_place"), place_by=bindparam("new_by"))
)


def save_places(
    connection: Connection, found: Iterable[tuple[int, str | None]], by: str | None
) -> None:
    """Each machine's place, by one who says it; one without a place is said by nobody."""
    rows = [
        {"number": machine_id, "new_place": place, "new_by": by if place else None}
        for machine_id, place in found
    ]
    if rows:
        connection.execute(_SAVE, rows)
