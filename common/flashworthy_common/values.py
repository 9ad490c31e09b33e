"""A value, or the reason why it is missing; and how such values become JSON and come back.

Rules:

- A missing value is `Unknown`, never ``None``, zero or an empty text; its reason is for people.
- In JSON an unknown value is the object ``{"unknown": "why"}``.
- A field whose type is ``T | Unknown`` is forgiving: what is malformed becomes `Unknown`, and the
  problem is listed. Any other field is strict: a malformed one makes the object around it so.
- Keys that a class does not know are ignored, so that a newer writer can talk to an older reader.
- ``None`` stands for *none*, and only where the type allows it.

Times are RFC 3339 in UTC, dates ISO 8601, tuples are arrays, enumerations their values.
"""

import functools
import types
import typing
from collections.abc import Callable, Hashable
from dataclasses import MISSING, Field, dataclass, fields, is_dataclass
from datetime import UTC, date, datetime
from enum import Enum
from typing import Annotated, Any, TypeVar, Union

from flashworthy_common.errors import MalformedValueError
from flashworthy_common.records import is_record

MAX_TEXT_CHARACTERS = 2_000  # longer than any SMBIOS string set or package name seen
MAX_LIST_ITEMS = 1_000  # items of one list in one report


@dataclass(frozen=True, slots=True)
class Unknown:
    """The reason why a value is missing, in plain words."""

    because: str


NOT_REPORTED = Unknown("not reported")

T = TypeVar("T")
Maybe = Union[T, Unknown]  # noqa: UP007  (X | Y makes no generic alias on Python 3.11)


@dataclass(frozen=True, slots=True)
class Bounds:
    """The closed range of a number, and its unit in words."""

    low: float
    high: float
    unit: str


Percent = Annotated[float, Bounds(0, 100, "percent")]
Seconds = Annotated[int, Bounds(0, 2**40, "seconds")]
Milliseconds = Annotated[int, Bounds(0, 2**40, "milliseconds")]
Bytes = Annotated[int, Bounds(0, 2**63 - 1, "bytes")]
Count = Annotated[int, Bounds(0, 2**32 - 1, "")]
Quantity = Annotated[float, Bounds(0, 1e12, "")]  # the unit stands in the field's name


# ---- writing ----------------------------------------------------------------------------------


def to_json(value: Any) -> Any:
    """`value` as what the `json` module writes; fields that were not reported are left out."""
    kind = type(value)
    if kind in _WRITTEN_AS_THEY_ARE:
        return value
    if kind is Unknown:
        return {"unknown": value.because}
    if is_dataclass(kind):
        found = {name: getattr(value, name) for name in _field_names(kind)}
        return {name: to_json(each) for name, each in found.items() if not _is_left_out(each)}
    if isinstance(value, Enum):
        return value.value
    if isinstance(value, datetime):
        return write_time(value)
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, tuple | list):
        return [to_json(item) for item in value]
    return value


def _is_left_out(value: Any) -> bool:
    return type(value) is Unknown and value == NOT_REPORTED


_WRITTEN_AS_THEY_ARE = frozenset({str, int, float, bool, type(None)})


@functools.cache
def _field_names(kind: type) -> tuple[str, ...]:
    return tuple(field.name for field in fields(kind))


def write_time(time: datetime) -> str:
    """An aware time as RFC 3339 in UTC, to the millisecond where there are any."""
    precision = "milliseconds" if time.microsecond >= 1_000 else "seconds"
    in_utc = time if time.tzinfo is UTC else time.astimezone(UTC)
    return in_utc.isoformat("T", precision)[:-6] + "Z"


# ---- reading ----------------------------------------------------------------------------------

# Where a value stands: a text, or a name or place within what stands elsewhere. It becomes text for
# messages only: to make one for every value would cost as much as to read it.
Path = str | tuple["Path", str | int]
Read = Callable[[Any, Path, list[str]], Any]


def from_json(kind: type[T], data: Any, problems: list[str] | None = None, path: str = "") -> T:
    """An object of the dataclass `kind` from decoded JSON.

    Args:
        problems: every malformed value that was replaced by `Unknown` is added here, in words.
        path: stands before the field names in messages.

    Raises:
        MalformedValueError: a strict field is malformed, or `data` is no JSON object.
    """
    found: T = _reader(typing.cast(Hashable, kind))(
        data, path, [] if problems is None else problems
    )
    return found


def _malformed(path: Path, expected: str, got: object) -> MalformedValueError:
    return MalformedValueError(_text_of(path), expected, got)


def _text_of(path: Path) -> str:
    """
    >>> _text_of((("power", "batteries"), 1))
    'power.batteries[1]'
    """
    if isinstance(path, str):
        return path
    outer, name = _text_of(path[0]), path[1]
    if isinstance(name, int):
        return f"{outer}[{name}]"
    return f"{outer}.{name}" if outer else name


def read_time(data: Any, path: Path, problems: list[str] | None = None) -> datetime:
    """An RFC 3339 time with an offset, in UTC."""
    try:
        return _time_of(data)
    except (ValueError, OverflowError, TypeError):
        expected = "an RFC 3339 time such as 2026-05-04T10:00:00Z"
        raise _malformed(path, expected, data) from None


@functools.lru_cache(maxsize=1024)  # sections of a report, and reports of one second, share theirs
def _time_of(text: str) -> datetime:
    if not isinstance(text, str) or len(text) < len("2026-05-04T10:00:00Z"):
        raise ValueError
    time = datetime.fromisoformat(text.upper())
    if time.tzinfo is None:
        raise ValueError
    return time.astimezone(UTC)


def _read_date(data: Any, path: Path, problems: list[str]) -> date:
    try:
        return date.fromisoformat(data)
    except (TypeError, ValueError):
        raise _malformed(path, "a date such as 2026-05-04", data) from None


def _read_text(data: Any, path: Path, problems: list[str]) -> str:
    if isinstance(data, str) and len(data) <= MAX_TEXT_CHARACTERS:
        return data
    raise _malformed(path, f"a text of at most {MAX_TEXT_CHARACTERS} characters", data)


def _read_flag(data: Any, path: Path, problems: list[str]) -> bool:
    if isinstance(data, bool):
        return data
    raise _malformed(path, "true or false", data)


def _number_reader(kind: type, bounds: Bounds) -> Read:
    accepted = {int} if kind is int else {int, float}  # and not bool, which is an int as well
    low, high = bounds.low, bounds.high
    what = "a whole number" if kind is int else "a number"
    expected = f"{what} from {bounds.low:g} to {bounds.high:g} {bounds.unit}".rstrip()

    def read(data: Any, path: Path, problems: list[str]) -> Any:
        if type(data) in accepted and low <= data <= high:
            return data
        raise _malformed(path, expected, data)

    return read


def _enum_reader(kind: type[Enum]) -> Read:
    by_value = {member.value: member for member in kind}
    kinds = {type(value) for value in by_value}  # true is no 1
    expected = "one of " + ", ".join(map(str, by_value))

    def read(data: Any, path: Path, problems: list[str]) -> Enum:
        if type(data) in kinds and data in by_value:
            return by_value[data]
        raise _malformed(path, expected, data)

    return read


def _list_reader(item: Read) -> Read:
    def read(data: Any, path: Path, problems: list[str]) -> tuple[Any, ...]:
        if not isinstance(data, list) or len(data) > MAX_LIST_ITEMS:
            raise _malformed(path, f"a list of at most {MAX_LIST_ITEMS} items", data)
        return tuple([item(value, (path, index), problems) for index, value in enumerate(data)])

    return read


def _optional_reader(inner: Read) -> Read:
    return lambda data, path, problems: None if data is None else inner(data, path, problems)


def _forgiving_reader(inner: Read) -> Read:
    def read(data: Any, path: Path, problems: list[str]) -> Any:
        if type(data) is dict and len(data) == 1 and type(data.get("unknown")) is str:
            return Unknown(data["unknown"][:MAX_TEXT_CHARACTERS])
        try:
            return inner(data, path, problems)
        except MalformedValueError as error:
            problems.append(str(error))
            return Unknown(f"malformed: {error}")

    return read


def _object_reader(kind: type) -> Read:
    """A reader written for one class, as `dataclass` writes methods.

    A report has hundreds of values, and a server reads hundreds of reports a second: one that is
    plainly right is taken without a call.
    """
    hints = typing.get_type_hints(kind, include_extras=True)
    known: dict[str, Any] = {
        "kind": kind,
        "new": object.__new__,
        "absent": object(),
        "not_an_object": lambda data, path: _malformed(
            _text_of(path) or kind.__name__, "an object", data
        ),
        "no_value": lambda path: _malformed(path, "a value", None),
    }
    begin, end = _BARE if is_record(kind) else _BY_ITS_CONSTRUCTOR
    lines = ["def read(data, path, problems):"]
    lines.append("    if not isinstance(data, dict): raise not_an_object(data, path)")
    lines.append(f"    get = data.get; {begin}")
    for number, each in enumerate(fields(kind)):
        known[f"read_{number}"] = _reader(hints[each.name])
        known[f"default_{number}"] = each.default
        lines += _lines_of_field(number, each, _plainly_right(hints[each.name]))
    lines.append(f"    return {end}")
    exec("\n".join(lines), known)  # noqa: S102  (written above, of names in our own classes)
    read: Read = known["read"]
    return read


# How an object begins, to have its fields in `found`, and what comes of it.
_BARE = ("made = new(kind); found = made.__dict__", "made")
_BY_ITS_CONSTRUCTOR = ("found = {}", "kind(**found)")


def _lines_of_field(number: int, field: Field[Any], plainly_right: str) -> list[str]:
    place = f"found[{field.name!r}]"
    if field.default_factory is not MISSING:
        otherwise = "pass"  # the class makes it
    elif field.default is not MISSING:
        otherwise = f"{place} = default_{number}"
    else:
        otherwise = f"raise no_value((path, {field.name!r}))"
    return [
        f"    value = get({field.name!r}, absent)",
        f"    if {plainly_right}: {place} = value",
        f"    elif value is absent: {otherwise}",
        f"    else: {place} = read_{number}(value, (path, {field.name!r}), problems)",
    ]


def _plainly_right(hint: Any) -> str:
    """What holds of a `value` that its reader would hand back as it is; sometimes, or never."""
    if hint is str:
        return f"type(value) is str and len(value) <= {MAX_TEXT_CHARACTERS}"
    if hint is bool:
        return "type(value) is bool"
    origin = typing.get_origin(hint)
    if origin is Annotated and typing.get_args(hint)[0] is int:
        bounds = typing.get_args(hint)[1]
        return f"type(value) is int and {bounds.low!r} <= value <= {bounds.high!r}"
    if origin in _UNIONS:
        return _plainly_right(_inner(hint))
    return "False"


_PLAIN: dict[Any, Read] = {
    str: _read_text,
    bool: _read_flag,
    datetime: read_time,
    date: _read_date,
    int: _number_reader(int, Bounds(-(2**63), 2**63 - 1, "")),
    float: _number_reader(float, Bounds(-1e300, 1e300, "")),
}


@functools.cache
def _reader(hint: Any) -> Read:
    """The reader of one type; built once, since a server reads many reports a second."""
    if hint in _PLAIN:
        return _PLAIN[hint]
    origin = typing.get_origin(hint)
    if origin is Annotated:
        kind, bounds = typing.get_args(hint)
        return _number_reader(kind, bounds)
    if origin is tuple:
        return _list_reader(_reader(typing.get_args(hint)[0]))
    if origin in _UNIONS:
        return _union_reader(hint)
    if isinstance(hint, type) and issubclass(hint, Enum):
        return _enum_reader(hint)
    if is_dataclass(hint):
        return _object_reader(typing.cast(type, hint))
    raise TypeError(f"no reader for fields of type {hint!r}")


_UNIONS = (Union, types.UnionType)


def _union_reader(hint: Any) -> Read:
    reader, members = _reader(_inner(hint)), typing.get_args(hint)
    if type(None) in members:
        reader = _optional_reader(reader)
    return _forgiving_reader(reader) if Unknown in members else reader


def _inner(hint: Any) -> Any:
    """The type of values that are known, and some."""
    extras = {Unknown, type(None)}
    (inner,) = [member for member in typing.get_args(hint) if member not in extras]
    return inner
