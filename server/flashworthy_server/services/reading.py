"""Rows that people wrote become statements, or every fault of theirs is named.

- What makes a statement right is the domain's to say; here it meets the row, its line and the
  day on which it arrives.
- A key that is not read is refused: it is a slip of the pen, and would be lost silently.
"""

import typing
from collections.abc import Callable, Hashable, Iterable, Iterator, Mapping
from dataclasses import MISSING, dataclass, fields, is_dataclass, replace
from datetime import datetime, timedelta
from functools import cache
from typing import Any, Generic, TypeVar

from flashworthy_common.errors import MalformedValueError
from flashworthy_common.exceptions import SiteException, problems_of
from flashworthy_common.makers import canonical_machine_maker
from flashworthy_common.release_rules import Problem, check_names, check_release
from flashworthy_common.releases import Package, Release, Review
from flashworthy_common.values import Unknown, from_json
from flashworthy_common.weighing import Advisory
from flashworthy_server.advisories import severity_of
from flashworthy_server.documents import Row
from flashworthy_server.errors import BadRow, InvalidInputError

T = TypeVar("T")

_GRANTED = timedelta(days=1)  # to clocks and time zones that differ
_MOST_MALFORMED = 50  # named of one row
_LINKS = ("https://", "http://")
LONGEST_ID = 100  # characters of an advisory's id


@dataclass(frozen=True, slots=True)
class ReadRow(Generic[T]):
    row: Row
    maker: str  # canonical; empty where the statement names none
    statement: T

    def fault(self, reason: str, field: str = "") -> BadRow:
        return BadRow(self.row.position, reason, field, self.row.line)


def read_rows(
    kind: type[T], rows: Iterable[Row], now: datetime, bad: list[BadRow]
) -> list[ReadRow[T]]:
    """The rows that are right; what is wrong with the others is added to `bad`."""
    read = (_read_row(kind, row, now, bad) for row in rows)
    return [row for row in read if row is not None]


def read_one(kind: type[T], data: Any, now: datetime, bad: list[BadRow]) -> ReadRow[T] | None:
    """What one form or request states; none where something is wrong with it."""
    return _read_row(kind, Row("", None, data), now, bad)


def require_reason(reason: str) -> None:
    """Raise `InvalidInputError` where somebody who takes something away does not say why."""
    if not reason.strip():
        raise InvalidInputError("reason", "reason: expected why, got nothing")


def _read_row(kind: type[T], row: Row, now: datetime, bad: list[BadRow]) -> ReadRow[T] | None:
    try:
        statement = from_json(kind, row.data)
    except MalformedValueError:
        faults = _malformed(kind, row.data)
    else:
        judge = _FAULTS.get(kind, _of_anything)
        faults = [
            *judge(statement, now),
            *_unread(row.data, _shape_of(typing.cast(Hashable, kind))),
        ]
    bad += [BadRow(row.position, fault.says, fault.field, row.line) for fault in faults]
    if faults:
        return None
    maker = canonical_machine_maker(getattr(statement, "machine_maker", ""))
    return ReadRow(row, "" if isinstance(maker, Unknown) else maker, statement)


def _malformed(kind: type[T], data: Any) -> list[Problem]:
    """Everything that cannot be read: what is found is left out, and the rest is read again."""
    if not isinstance(data, dict):
        return [Problem("", f"expected an object, got {data!r:.80}")]
    found: list[Problem] = []
    rest = dict(data)
    while len(found) < _MOST_MALFORMED:
        try:
            from_json(kind, rest)
            break
        except MalformedValueError as error:
            found.append(Problem(error.path, str(error).removeprefix(f"{error.path}: ")))
            rest = _without(kind, rest, error.path)
    return found


def _without(kind: Any, data: dict[str, Any], path: str) -> dict[str, Any]:
    """`data` without what could not be read; something harmless where the field is needed."""
    name = path.partition(".")[0].partition("[")[0]
    rest = {key: value for key, value in data.items() if key != name}
    is_needed = any(each.name == name and each.default is MISSING for each in fields(kind))
    return rest | {name: _HARMLESS[name]} if is_needed else rest


_HARMLESS: dict[str, Any] = {  # of the fields that may not be left out
    "machine_maker": "",
    "models": [],
    "version_text": "",
    "reviewed_at": "2000-01-01T00:00:00Z",
    "reviewed_by": "",
    "source": "",
    "kind": "not-this-release",
    "reason": "",
    "owner": "",
    "until": "2000-01-01",
    "id": "",
}


# ---- what is wrong with a statement ------------------------------------------------------------


def _of_release(release: Release, now: datetime) -> Iterator[Problem]:
    yield from check_release(release)
    if release.released_on and release.released_on > (now + _GRANTED).date():
        says = f"expected a day that has been, got {release.released_on}"
        yield Problem("released_on", says)


def _of_review(review: Review, now: datetime) -> Iterator[Problem]:
    yield from check_names(review)
    if review.reviewed_at > now + _GRANTED:
        yield Problem("reviewed_at", f"expected a time that has been, got {review.reviewed_at}")
    if not review.reviewed_by.strip():
        yield Problem("reviewed_by", "expected who read the maker's page, got nothing")
    if not review.source.strip():
        yield Problem("source", "expected the page that was read, got nothing")


def _of_exception(exception: SiteException, now: datetime) -> Iterator[Problem]:
    yield from check_names(exception)
    for problem in problems_of(exception):
        field, _, says = problem.partition(": ")
        yield Problem(field, says)
    if exception.until < now.date():
        yield Problem("until", f"expected today or a later day, got {exception.until}")


def _of_advisory(advisory: Advisory, now: datetime) -> Iterator[Problem]:
    if not advisory.id.strip() or len(advisory.id) > LONGEST_ID:
        says = f"expected an id of at most {LONGEST_ID} characters, got {advisory.id!r:.80}"
        yield Problem("id", says)
    if advisory.severity:
        yield Problem("severity", "expected nothing: it is worked out from cvss_vector")
    if advisory.cvss_vector:
        try:
            severity_of(advisory.cvss_vector)
        except MalformedValueError as error:
            yield Problem("cvss_vector", str(error).removeprefix(f"{error.path}: "))


def _of_package(package: Package, now: datetime) -> Iterator[Problem]:
    release = Release(
        machine_maker=package.machine_maker,
        models=package.models,
        version_text=package.version_text,
        board_versions=package.board_versions,
    )
    yield from check_release(release)


def _of_anything(statement: Any, now: datetime) -> Iterator[Problem]:
    """What has no rules of its own is judged by what is made of it."""
    yield from ()


_FAULTS: dict[Any, Callable[[Any, datetime], Iterator[Problem]]] = {
    Release: _of_release,
    Review: _of_review,
    SiteException: _of_exception,
    Advisory: _of_advisory,
    Package: _of_package,
}


def with_severity(advisory: Advisory) -> Advisory:
    """An advisory that was found right, with its severity in words."""
    if not advisory.cvss_vector:
        return advisory
    severity = severity_of(advisory.cvss_vector)
    return replace(advisory, severity=f"{severity.base_score:g} {severity.rating}")


def _unread(data: Any, shape: "_Shape", path: str = "") -> Iterator[Problem]:
    """The keys in `data` that nothing reads."""
    if isinstance(data, dict) and shape is not None:
        for name, value in data.items():
            inner = f"{path}.{name}" if path else name
            if name in shape:
                yield from _unread(value, shape[name], inner)
            else:
                yield Problem(inner, "no field is known by this name")
    elif isinstance(data, list) and shape is not None:
        for index, item in enumerate(data):
            yield from _unread(item, shape, f"{path}[{index}]")


_Shape = Mapping[str, Any] | None  # the fields of an object and their shapes; none: no object


@cache
def _shape_of(hint: Any) -> _Shape:
    """The shape of the object in a type, be it alone, optional or in a list."""
    if is_dataclass(hint):
        hints = typing.get_type_hints(hint, include_extras=True)
        return {field.name: _shape_of(hints[field.name]) for field in fields(hint)}
    shapes = (_shape_of(each) for each in typing.get_args(hint) if isinstance(each, Hashable))
    return next((shape for shape in shapes if shape), None)
