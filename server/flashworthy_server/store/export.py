"""Machines by the thousand, for files: as lines of CSV (RFC 4180) or as objects of JSON.

The database writes some machines as one text, their codes of attention with them: to read their
values, and to write them again, would cost more than all the rest.
"""

import re
from datetime import datetime
from enum import Enum
from functools import lru_cache
from typing import Any

from sqlalchemy import (
    ColumnElement,
    Connection,
    Date,
    Select,
    Text,
    bindparam,
    case,
    cast,
    func,
    literal_column,
    or_,
    select,
    union_all,
)

from flashworthy_common.attention import PRESSING, AttentionCode
from flashworthy_server.dialects.texts import (
    in_quotes,
    json_object,
    json_value,
    line_of_csv,
    written_date,
    written_time,
)
from flashworthy_server.store.listing import MOST_SHAPES, PRIORITY, SOURCE, Filters, of_page
from flashworthy_server.tables import UtcTime, acknowledgements, attentions, combinations, machines

LINE_END = "\r\n"  # of CSV
Last = tuple[str, int]  # name and id, after which the next ones come


class Form(Enum):
    """How a machine is written: CSV as a line without its end."""

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
    is_pressing = PRIORITY.in_([_said(each.value) for each in PRESSING])
    is_silent = machines.c.flash_alarm_at <= _NOW
    own = select(attentions.c.code).correlate(machines)
    own = own.where(attentions.c.machine_id == machines.c.id, attentions.c.ended_at.is_(None))
    asks = union_all(
        own,
        _follows(AttentionCode.PRIORITY, is_pressing),
        _follows(AttentionCode.SILENT_AFTER_FLASH, is_silent),
    ).subquery("asks")
    rests = select(acknowledgements).where(
        acknowledgements.c.machine_id == machines.c.id,
        acknowledgements.c.code == asks.c.code,
        acknowledgements.c.until >= _TODAY,
    )
    rests = rests.correlate(machines, asks)
    of_machine = select(asks.c.code).where(~rests.exists()).order_by(asks.c.code)
    codes = of_machine.subquery("codes")  # in whose order both databases string them together
    strung = select(func.aggregate_strings(codes.c.code, " ")).scalar_subquery()
    return case((or_(is_pressing, is_silent, own.exists()), strung))  # most have nothing to string


def _follows(code: AttentionCode, condition: ColumnElement[bool]) -> Select[Any]:
    """What stands in no table of its own."""
    named = select(_said(code.value).label("code"))
    return named.where(condition).correlate(machines, combinations)


# ---- a machine as one text ----------------------------------------------------------------------

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
_ANY_TEXT = ("name", "place", "marked", *_OF_COMBINATION, "sentence")  # others hold nothing odd
_FORMULA_STARTS = "=+-@\t\r"  # what a spreadsheet would run (OWASP, CSV injection)
_ODD = re.compile(f'"[{re.escape(_FORMULA_STARTS)}]')


def _line(*, is_odd: bool) -> ColumnElement[str]:
    """A line of CSV, without its end; any text stands in quotation marks."""
    values = dict(_FIELDS)
    for name in _ANY_TEXT:
        values[name] = in_quotes(_harmless(values[name]) if is_odd else values[name])
    return line_of_csv(*values.values())


def _harmless(text: ColumnElement[str]) -> ColumnElement[str]:
    first = func.substr(text, literal_column("1"), literal_column("1"))
    is_formula = first.in_([_said(each) for each in _FORMULA_STARTS])
    guarded = case((is_formula, _said("'") + text), else_=text)
    return func.replace(guarded, _said('"'), _said('""'))  # RFC 4180 §2


def _has_odd(lines: str, count: int) -> bool:
    """Whether some text holds a quotation mark, or begins like a formula; few do."""
    return lines.count('"') != 2 * len(_ANY_TEXT) * count or _ODD.search(lines) is not None


def _object() -> ColumnElement[str]:
    names = {name: func.nullif(_FIELDS[name], "") for name in _OF_COMBINATION}
    codes = _said('["') + func.replace(_FIELDS["attention"], _said(" "), _said('","')) + _said('"]')
    listed = func.coalesce(json_value(codes), json_value(_said("[]")))
    return json_object(**_FIELDS | names | {"attention": listed})


def _written(text: ColumnElement[str]) -> Select[str, str]:
    number = cast(machines.c.id, Text)
    return select(text.label("text"), number.label("number")).select_from(SOURCE)


_WRITTEN = {Form.CSV: _written(_line(is_odd=False)), Form.JSON: _written(_object())}
_ODD_LINES = _written(_line(is_odd=True))
_BETWEEN = {Form.CSV: LINE_END, Form.JSON: ","}


def load_written(
    connection: Connection,
    form: Form,
    filters: Filters,
    *,
    now: datetime,
    after: Last | None,
    count: int,
) -> tuple[str, Last | None]:
    """At most `count` machines that come after a name and id, as one text of this form.

    With the last of them, after which the next ones come; none where there are none.
    """

    def load(written: Select[str, str]) -> tuple[str, list[str]]:
        query, values = of_page(written, connection, filters, now, after, count)
        text, ids = connection.execute(_strung(query, _BETWEEN[form]), values).one()
        return text or "", ids.split(_BLANK) if ids else []

    text, ids = load(_WRITTEN[form])
    if form is Form.CSV and _has_odd(text, len(ids)):
        text, ids = load(_ODD_LINES)
    return text, _last(connection, int(ids[-1])) if len(ids) == count else None


_BLANK = " "


@lru_cache(MOST_SHAPES)
def _strung(query: Select[*tuple[Any, ...]], between: str) -> Select[str, str]:
    """All rows as one: to hand over each would cost more than to make it."""
    rows = query.subquery()
    texts = func.aggregate_strings(rows.c.text, between)
    return select(texts, func.aggregate_strings(rows.c.number, _BLANK))


def _last(connection: Connection, number: int) -> Last:
    """Looked up: with each row the name would cost more than this does for all of them."""
    return connection.scalars(_NAME, {"number": number}).one(), number


_NAME = select(machines.c.name).where(machines.c.id == bindparam("number"))
