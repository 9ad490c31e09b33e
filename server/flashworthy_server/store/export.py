"""Machines by the thousand, for files: as texts and numbers, ready to be written.

The database writes times and dates itself: to read them and write them again would cost more than
everything else about a row.
"""

from datetime import datetime
from typing import Any

from sqlalchemy import (
    BindParameter,
    Connection,
    Select,
    bindparam,
    func,
    literal,
    select,
    type_coerce,
)
from sqlalchemy.types import NullType

from flashworthy_common.attention import PRESSING, AttentionCode
from flashworthy_server.dialects.texts import written_date, written_time
from flashworthy_server.store.listing import PRIORITY, SOURCE, Filters, of_page
from flashworthy_server.tables import UtcTime, acknowledgements, attentions, combinations, machines

_AS_IT_IS = NullType()

_COLUMNS = {
    "id": machines.c.id,
    "name": machines.c.name,
    "place": machines.c.place,
    "marked": machines.c.marked,
    "maker": func.nullif(combinations.c.maker, ""),
    "model": func.nullif(combinations.c.model, ""),
    "board": func.nullif(combinations.c.board, ""),
    "version_text": func.nullif(combinations.c.version_text, ""),
    "firmware_on": written_date(machines.c.firmware_on),
    "outcome": machines.c.outcome,
    "sentence": machines.c.sentence,
    "holds_until": written_time(machines.c.holds_until),
    "standing": combinations.c.standing,
    "priority": PRIORITY,
    "taken_at": written_time(machines.c.taken_at),
    "received_at": written_time(machines.c.received_at),
}
_BEFORE = list(_COLUMNS).index("taken_at")  # where the codes of attention stand
EXPORTED = (*list(_COLUMNS)[:_BEFORE], "attention", *list(_COLUMNS)[_BEFORE:])
_ID, _PRIORITY, _ATTENTION = map(EXPORTED.index, ("id", "priority", "attention"))
_PRESSING = {priority.value for priority in PRESSING}
_WRITTEN: list[Any] = [
    *(
        literal(None) if name == "attention" else type_coerce(_COLUMNS[name], _AS_IT_IS)
        for name in EXPORTED
    ),
    machines.c.flash_alarm_at <= bindparam("now", type_=UtcTime),
]
_READ: Select[Any] = select(*_WRITTEN).select_from(SOURCE)

Row = list[Any]  # in the order of `EXPORTED`; the codes of attention are a list


def load_rows(
    connection: Connection,
    filters: Filters,
    *,
    now: datetime,
    after: tuple[str, int] | None,
    count: int,
) -> list[Row]:
    """At most `count` machines that come after a name and id, in this order."""
    query = of_page(_READ, connection, filters, now, after, count)
    rows = [list(row) for row in connection.execute(query, {"now": now}).all()]
    ids = [row[_ID] for row in rows]
    asked, resting = _asked(connection, ids), _resting(connection, now)
    for row in rows:
        is_silent_after_flash = row.pop()
        codes = asked.get(row[_ID], [])
        if row[_PRIORITY] in _PRESSING:
            codes = sorted([*codes, AttentionCode.PRIORITY.value])
        if is_silent_after_flash:
            codes = sorted([*codes, AttentionCode.SILENT_AFTER_FLASH.value])
        if resting:
            codes = [code for code in codes if (row[_ID], code) not in resting]
        row[_ATTENTION] = codes
    return rows


_IDS: BindParameter[int] = bindparam("ids", expanding=True)
_ASKED = (
    select(attentions.c.machine_id, attentions.c.code)
    .where(attentions.c.machine_id.in_(_IDS), attentions.c.ended_at.is_(None))
    .order_by(attentions.c.machine_id, attentions.c.code)
)
_RESTING = select(acknowledgements.c.machine_id, acknowledgements.c.code).where(
    acknowledgements.c.until >= bindparam("today")
)


def _asked(connection: Connection, ids: list[int]) -> dict[int, list[str]]:
    found: dict[int, list[str]] = {}
    for number, code in connection.execute(_ASKED, {"ids": ids}):
        found.setdefault(number, []).append(code)
    return found


def _resting(connection: Connection, now: datetime) -> set[tuple[int, str]]:
    """Of all machines: people said so, one by one."""
    rows = connection.execute(_RESTING, {"today": now.date()})
    return {(number, code) for number, code in rows}
