"""Machines by the thousand, for files: as lines of CSV (RFC 4180) or as objects of JSON.

The database writes each machine as one text, its codes of attention with it: to read its values,
and to write them again, would cost more than all the rest.
"""

from datetime import datetime
from enum import Enum
from typing import Any

from sqlalchemy import (
    ColumnElement,
    Connection,
    Date,
    Select,
    Text,
    bindparam,
    case,
    func,
    literal_column,
    or_,
    select,
    union_all,
)

from flashworthy_common.attention import PRESSING, AttentionCode
from flashworthy_server.dialects.texts import (
    formatted,
    json_object,
    json_value,
    written_date,
    written_time,
)
from flashworthy_server.store.listing import PRIORITY, SOURCE, Filters, of_page
from flashworthy_server.tables import UtcTime, acknowledgements, attentions, combinations, machines

Last = tuple[str, int]  # name and id, after which the next ones come


class Form(Enum):
    """How a machine is written."""

    CSV = "csv"
    JSON = "json"


# ---- codes of attention -------------------------------------------------------------------------

_NOW = bindparam("now", type_=UtcTime)
_TODAY = bindparam("today", type_=Date)


def _said(text: str) -> ColumnElement[str]:
    """Our own text, as it stands in SQL: some hundred parameters would cost each batch more."""
    doubled = text.replace("'", "''")
    return literal_column(f"'{doubled}'", Text)


def _attention() -> ColumnElement[str]:
    """The codes that ask now and do not rest, sorted, with blanks between; none without any."""
    pressing = [each.value for each in PRESSING]
    asks = union_all(
        select(attentions.c.code)
        .where(attentions.c.machine_id == machines.c.id, attentions.c.ended_at.is_(None))
        .correlate(machines),
        _follows(AttentionCode.PRIORITY, PRIORITY.in_(pressing)),
        _follows(AttentionCode.SILENT_AFTER_FLASH, machines.c.flash_alarm_at <= _NOW),
    ).subquery("asks")
    rests = select(acknowledgements).where(
        acknowledgements.c.machine_id == machines.c.id,
        acknowledgements.c.code == asks.c.code,
        acknowledgements.c.until >= _TODAY,
    )
    rests = rests.correlate(machines, asks)
    of_machine = select(asks.c.code).where(~rests.exists()).order_by(asks.c.code)
    codes = of_machine.subquery("codes")  # in whose order both databases string them together
    return select(func.aggregate_strings(codes.c.code, " ")).scalar_subquery()


def _follows(code: AttentionCode, condition: ColumnElement[bool]) -> Select[Any]:
    """What stands in no table of its own."""
    named = select(_said(code.value).label("code"))
    return named.where(condition).correlate(machines, combinations)


# ---- a machine as one text ----------------------------------------------------------------------

_FORMULA_STARTS = "=+-@\t\r"  # what a spreadsheet would run (OWASP, CSV injection); all before A
_QUOTED_FOR = ',"\r\n'  # RFC 4180 §2

_FIELDS: dict[str, ColumnElement[Any]] = {
    "id": machines.c.id,
    "name": machines.c.name,
    "place": machines.c.place,
    "marked": machines.c.marked,
    "maker": combinations.c.maker,
    "model": combinations.c.model,
    "board": combinations.c.board,
    "version_text": combinations.c.version_text,
    "firmware_on": written_date(machines.c.firmware_on),
    "outcome": machines.c.outcome,
    "sentence": machines.c.sentence,
    "holds_until": written_time(machines.c.holds_until),
    "standing": combinations.c.standing,
    "priority": PRIORITY,
    "attention": _attention(),
    "taken_at": written_time(machines.c.taken_at),
    "received_at": written_time(machines.c.received_at),
}
EXPORTED = tuple(_FIELDS)
_OF_COMBINATION = ("maker", "model", "board", "version_text")  # an empty text is an unknown name
_FROM_OUTSIDE = ("name", "place", "marked", *_OF_COMBINATION, "sentence")  # may be any text


def _line() -> ColumnElement[str]:
    """A line of CSV, with its end."""
    cells = {name: _cell(_FIELDS[name]) for name in _FROM_OUTSIDE}
    template = ",".join(["%s"] * len(EXPORTED)) + "\r\n"
    return formatted(template, *(_FIELDS | cells).values())


def _cell(text: ColumnElement[str]) -> ColumnElement[str]:
    needs_quotes = or_(*(text.like(_said(f"%{each}%")) for each in _QUOTED_FOR))
    first = func.substr(text, literal_column("1"), literal_column("1"))
    is_formula = (text < _said("A")) & first.in_([_said(each) for each in _FORMULA_STARTS])
    as_text = _said("'") + text
    doubled = func.replace(case((is_formula, as_text), else_=text), _said('"'), _said('""'))
    return case(
        (needs_quotes, _said('"') + doubled + _said('"')), (is_formula, as_text), else_=text
    )


def _object() -> ColumnElement[str]:
    names = {name: func.nullif(_FIELDS[name], "") for name in _OF_COMBINATION}
    codes = '["' + func.replace(_FIELDS["attention"], " ", '","') + '"]'
    return json_object(**_FIELDS | names | {"attention": json_value(func.coalesce(codes, "[]"))})


_WRITTEN: dict[Form, Select[Any]] = {
    form: select(text, machines.c.id).select_from(SOURCE)
    for form, text in ((Form.CSV, _line()), (Form.JSON, _object()))
}


def load_written(
    connection: Connection,
    form: Form,
    filters: Filters,
    *,
    now: datetime,
    after: Last | None,
    count: int,
) -> tuple[list[str], Last | None]:
    """At most `count` machines that come after a name and id, each in this form; and the last."""
    query, values = of_page(_WRITTEN[form], connection, filters, now, after, count)
    rows = connection.execute(query, values).all()
    return [text for text, _ in rows], _last(connection, rows[-1].id) if rows else None


def _last(connection: Connection, number: int) -> Last:
    """Looked up: with each row the name would cost more than this does for all of them."""
    return connection.scalars(_NAME, {"number": number}).one(), number


_NAME = select(machines.c.name).where(machines.c.id == bindparam("number"))
