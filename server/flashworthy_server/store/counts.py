"""The numbers of the overview, of machines in service, and refused requests.

They are read from `summary`, which triggers keep right (`flashworthy_server.counting`). What rests
by a person's word, and what waits for a flash, is counted when asked: people made each of them.
"""

from collections.abc import Iterable, Sequence
from datetime import date, datetime

from sqlalchemy import (
    Connection,
    Date,
    Integer,
    Label,
    Text,
    bindparam,
    cast,
    func,
    select,
    text,
)

from flashworthy_common.attention import PRESSING, AttentionCode
from flashworthy_server.counting import SEPARATOR, compared
from flashworthy_server.db import upsert
from flashworthy_server.dialects.many import Texts, among
from flashworthy_server.dialects.prepared import PreparedQuery
from flashworthy_server.store.ages import FIRMWARE_AGES, NOT_KNOWN, later_than
from flashworthy_server.store.listing import IN_SERVICE, SOURCE, follows
from flashworthy_server.store.machines import names_within
from flashworthy_server.tables import (
    UtcTime,
    acknowledgements,
    combinations,
    machines,
    refusals,
    summary,
)

_AT_ONCE = 500  # ids of one query
_ACKNOWLEDGED = PreparedQuery(
    select(acknowledgements.c.machine_id, acknowledgements.c.code).where(
        acknowledgements.c.until >= bindparam("today", type_=Date)
    )
)

Counted = dict[str, int]


def load_counts(connection: Connection, facets: Sequence[str]) -> dict[str, Counted]:
    """By facet and name; an empty name where there is none. Nothing is counted as 0."""
    found: dict[str, Counted] = {facet: {} for facet in facets}
    for facet, name, count in _OF_FACETS.rows(connection, facets=facets):
        found[facet][name] = count
    return found


# Statements that are made once: to make one costs more than to execute it.
_OF_FACETS = PreparedQuery(
    select(summary).where(among(summary.c.facet, "facets", Texts), summary.c.count != 0)
)
_MOST_FREQUENT = PreparedQuery(
    select(summary.c.name, summary.c.count)
    .where(summary.c.facet == bindparam("facet"))
    .order_by(summary.c.count.desc(), summary.c.name.desc())
    .limit(bindparam("most", type_=Integer))
)


def _of_age(place: int) -> Label[int]:
    """Machines of an age by its place in `FIRMWARE_AGES`: a stretch of an index."""
    age, day = FIRMWARE_AGES[place], summary.c.name
    of_age = [summary.c.facet == "firmware_on"]
    if place > 0:
        of_age.append(day <= bindparam(f"later_than_{place - 1}", type_=Text))
    if age != NOT_KNOWN:
        of_age.append(day > bindparam(f"later_than_{place}", type_=Text))
    return select(func.sum(summary.c.count)).where(*of_age).label(age)


_BY_AGE = PreparedQuery(select(*map(_of_age, range(len(FIRMWARE_AGES)))))


def most_frequent(connection: Connection, facet: str, most: int) -> list[tuple[str, int]]:
    """Names and counts, most machines first."""
    ranked = _MOST_FREQUENT.rows(connection, facet=facet, most=most)
    found = [(name, count) for name, count in ranked if count]
    return sorted(found, key=lambda item: (-item[1], item[0]))


def of_priority(connection: Connection, priorities: Sequence[str], most: int) -> dict[int, int]:
    """Combinations of these priorities and their machines, most machines first."""
    ids = select(cast(combinations.c.id, Text)).where(combinations.c.priority.in_(priorities))
    of_them = (summary.c.facet == "combination", summary.c.name.in_(ids), summary.c.count > 0)
    query = select(summary.c.name, summary.c.count).where(*of_them)
    rows = connection.execute(query.order_by(summary.c.count.desc(), summary.c.name).limit(most))
    return {int(name): count for name, count in rows}


def models(connection: Connection, most: int) -> list[tuple[str, str, int]]:
    """Maker, model and number of machines, most machines first."""
    found = most_frequent(connection, "model", most)
    return [(*_pair(name), count) for name, count in found]


def undecided(connection: Connection, most: int) -> list[tuple[int, int]]:
    """Combination id and number of its machines that are undecided, most machines first."""
    return [(int(name), count) for name, count in most_frequent(connection, "undecided", most)]


def machines_of(connection: Connection, combination_ids: Iterable[int]) -> dict[int, int]:
    """The machines of each of these combinations that has any."""
    names = [str(each) for each in combination_ids]
    found = _of_names(connection, "combination", names)
    return {int(name): count for name, count in found.items() if count}


def places_within(connection: Connection, place: str) -> dict[str, int]:
    """A place and what lies in it, each as it is written, with its machines."""
    within = (summary.c.facet == "place", names_within(summary.c.name, place))
    query = select(summary.c.name, summary.c.count).where(*within, summary.c.count != 0)
    return dict(connection.execute(query).all())


def count_within(connection: Connection, place: str | None) -> int:
    """The machines in a place; with none, all."""
    if place is None:
        return load_counts(connection, ["machines"])["machines"].get("", 0)
    return sum(places_within(connection, place).values())


def places(connection: Connection, most: int) -> list[tuple[str, int]]:
    """Outermost places, an empty text for none, most machines first."""
    return most_frequent(connection, "outermost", most)


def count_by_age(connection: Connection, today: date) -> Counted:
    """Machines by the age of their firmware."""
    days = {f"later_than_{place}": day for place, day in enumerate(later_than(today).values())}
    (found,) = _BY_AGE.rows(connection, **days)
    return {age: int(count) for age, count in zip(FIRMWARE_AGES, found, strict=True) if count}


def count_by_attention(
    connection: Connection, now: datetime, *, asked: Counted, priorities: Counted
) -> Counted:
    """By code, the machines of which something asks now; what rests does not.

    Args:
        asked, priorities: as `load_counts` found them.
    """
    pressing = sum(priorities.get(priority.value, 0) for priority in PRESSING)
    found = {
        **asked,
        AttentionCode.PRIORITY.value: pressing,
        AttentionCode.SILENT_AFTER_FLASH.value: _count_silent_after_flash(connection, now),
    }
    for code, count in _resting(connection, now).items():
        found[code] -= count
    return {code: count for code, count in sorted(found.items()) if count}


def _of_names(connection: Connection, facet: str, names: Iterable[str]) -> Counted:
    found: Counted = {}
    wanted = sorted(names)
    for start in range(0, len(wanted), 500):
        some = (summary.c.facet == facet, summary.c.name.in_(wanted[start:][:500]))
        found |= dict(
            connection.execute(select(summary.c.name, summary.c.count).where(*some)).all()
        )
    return found


def _resting(connection: Connection, now: datetime) -> Counted:
    """By code, machines in service that ask for it, and a person lets it rest."""
    rows = _ACKNOWLEDGED.rows(connection, today=now.date())
    if not rows:
        return {}
    found: Counted = {}
    for code in {row.code for row in rows}:
        ids = [row.machine_id for row in rows if row.code == code]
        for start in range(0, len(ids), _AT_ONCE):
            some = machines.c.id.in_(ids[start:][:_AT_ONCE])
            asking = (some, follows(AttentionCode(code)), IN_SERVICE)
            query = select(func.count()).select_from(SOURCE).where(*asking)
            number = int(connection.execute(query, {"now": now}).scalar_one())
            found[code] = found.get(code, 0) + number
    return found


def _count_silent_after_flash(connection: Connection, now: datetime) -> int:
    ((count,),) = _SILENT_AFTER_FLASH.rows(connection, now=now)
    return int(count)


_SILENT_AFTER_FLASH = PreparedQuery(
    select(func.count()).where(
        machines.c.flash_alarm_at <= bindparam("now", type_=UtcTime), IN_SERVICE
    )
)


def _pair(name: str) -> tuple[str, str]:
    maker, _, model = name.partition(SEPARATOR)
    return maker, model


# ---- holding them against a recount -----------------------------------------------------------


def differences(connection: Connection) -> list[tuple[str, str, int]]:
    """Facet, name, and by how much the kept number is too high; one statement, one state."""
    rows = connection.execute(text(compared(connection.dialect.name)))
    return [(facet, name, int(n)) for facet, name, n in rows]


def mend(connection: Connection, found: Iterable[tuple[str, str, int]]) -> None:
    """Take off by how much kept numbers are too high."""
    rows = [{"facet": facet, "name": name, "count": -n} for facet, name, n in found]
    if rows:
        statement = upsert(summary)
        more = {"count": summary.c.count + statement.excluded.count}
        key = ["facet", "name"]
        connection.execute(statement.on_conflict_do_update(index_elements=key, set_=more), rows)


# ---- refused requests -------------------------------------------------------------------------


def add_refusal(connection: Connection, on_date: date, what: str, status: int) -> None:
    statement = upsert(refusals).values(on_date=on_date, what=what, status=status, count=1)
    connection.execute(
        statement.on_conflict_do_update(
            index_elements=["on_date", "what", "status"], set_={"count": refusals.c.count + 1}
        )
    )


def refusals_since(connection: Connection, first: date) -> Sequence[tuple[str, int, int]]:
    """What was asked, the status of the refusal, and how often; most frequent first."""
    rows = _REFUSALS.rows(connection, first=first)
    return [(what, status, int(count)) for what, status, count in rows]


_TOTAL = func.sum(refusals.c.count)
_REFUSALS = PreparedQuery(
    select(refusals.c.what, refusals.c.status, _TOTAL)
    .where(refusals.c.on_date >= bindparam("first"))
    .group_by(refusals.c.what, refusals.c.status)
    .order_by(_TOTAL.desc(), refusals.c.what, refusals.c.status)
)
