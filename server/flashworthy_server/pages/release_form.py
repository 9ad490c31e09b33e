"""The form of a release: the fields of a line of CSV, in groups, and a few for each reason.

What is typed is read by the columns of CSV (`flashworthy_server.documents`); several values of
one field stand in lines of their own.
"""

import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from flask import request

from flashworthy_common.reasons import Priority, ReasonKind
from flashworthy_common.releases import Release, ReleaseState, Way
from flashworthy_server.documents import (
    BETWEEN,
    COLUMNS,
    REASON_COLUMNS,
    RELEASE_COLUMNS,
    cells_of_release,
    release_of_cells,
)
from flashworthy_server.errors import BadRow, BadRowsError
from flashworthy_server.pages.forms import text

MOST_REASONS = 20  # of one release, in a form
_YES_NO = (("", "not said"), ("yes", "yes"), ("no", "no"))
_ASKED = (("", "not asked for"), ("yes", "yes"))
_STATES = tuple(each.value for each in ReleaseState)
_KINDS = (("", "no further reason"), *((each.value, each.value) for each in ReasonKind))
_PRIORITIES = (("", "worked out"), *((each.value, each.value) for each in Priority))
_WAYS = ", ".join(each.value for each in Way)


@dataclass(frozen=True, slots=True)
class Field:
    name: str  # of its column
    label: str
    hint: str = ""
    choices: tuple[Any, ...] = ()  # none: it is typed
    rows: int = 1  # more: several lines
    is_needed: bool = False


@dataclass(frozen=True, slots=True)
class Group:
    title: str
    fields: tuple[Field, ...]
    is_open: bool = False  # shown without being asked for

    @property
    def names(self) -> list[str]:
        return [each.name for each in self.fields]

    def is_filled(self, values: Mapping[str, str]) -> bool:
        """Whether something stands in one of its fields."""
        return any(values.get(name) for name in self.names)


_EACH_LINE = "one to a line"
_LEAST = f"name >= version, {_EACH_LINE}"

GROUPS = (
    Group(
        "Which one",
        (
            Field("machine_maker", "Maker", "in any of its spellings", is_needed=True),
            Field(
                "models",
                "Models",
                f"product names, boards or machine types, * for any text; {_EACH_LINE}",
                rows=3,
                is_needed=True,
            ),
            Field("version_text", "Version", "as its maker writes it", is_needed=True),
        ),
        is_open=True,
    ),
    Group(
        "As it was published",
        (
            Field("released_on", "Date", "such as 2026-05-04"),
            Field("notes_url", "Link to the maker's notes"),
            Field("state", "State", choices=_STATES),
            Field("state_reason", "Why it was withdrawn", "or what superseded it"),
        ),
        is_open=True,
    ),
    Group(
        "Only for some of these machines",
        (
            Field("board_versions", "Board versions", f"none: any; {_EACH_LINE}", rows=2),
            Field("skus", "Order codes", f"none: any; {_EACH_LINE}", rows=2),
        ),
    ),
    Group(
        "What must be true before",
        (
            Field("requires_firmware", "Oldest version to step from"),
            Field("requires_os_builds", "Least build of each system", _LEAST, rows=2),
            Field("requires_installed", "Drivers and packages", _LEAST, rows=2),
            Field("requires_os_updates", "Pending updates installed first", choices=_ASKED),
            Field("requires_mains", "Mains power", choices=_ASKED),
            Field("requires_charge_percent", "Battery charge", "percent, 0 to 100"),
            Field("requires_free_bytes", "Free space on the system disk", "bytes"),
        ),
    ),
    Group(
        "How it is installed",
        (
            Field("ways", "Ways", f"{_WAYS}; any one will do, {_EACH_LINE}", rows=2),
            Field("minutes", "Minutes of one flash", "restarts included"),
            Field("restarts", "Restarts"),
            Field("resets_settings", "Resets the settings", choices=_YES_NO),
        ),
    ),
    Group(
        "The way back",
        (
            Field("can_go_back", "An older version can follow", choices=_YES_NO),
            Field("back_to", "Oldest version to go back to"),
            Field("recovery", "If the machine no longer starts", "what to do then", rows=3),
        ),
    ),
    Group(
        "As the firmware itself numbers it",
        (
            Field("esrt_class", "ESRT class", "GUID"),
            Field("esrt_version", "ESRT version", "a whole number"),
        ),
    ),
)
REASON_FIELDS = (
    Field("reason_kind", "Kind", choices=_KINDS),
    Field("reason_says", "What it closes, mends or brings", "such as: 1.34 closes a hole"),
    Field("reason_source", "Where that can be read"),
    Field("reason_advisories", "Advisories", f"ids, {_EACH_LINE}", rows=2),
    Field("reason_symptoms", "What a machine with this fault shows", _EACH_LINE, rows=2),
    Field("reason_priority", "Priority", "only to set it by hand", choices=_PRIORITIES),
)

_ONLY_ASKED = ("requires_mains", "requires_os_updates")  # that it is not says nothing

# What must be said and was not is an empty text, so that its fault tells what was expected.
_NOTHING: dict[str, Any] = {"machine_maker": "", "models": [], "version_text": ""}
_NO_REASON = {"says": "", "source": ""}

_SEVERAL = frozenset(
    each.name
    for each in (*(one for group in GROUPS for one in group.fields), *REASON_FIELDS)
    if each.rows > 1 and each.name != "recovery"
)
_FIELD_OF = {".".join(column.path): column.name for column in COLUMNS}
_REASON_FIELD = re.compile(r"reasons\[(?P<place>\d+)\]\.?(?P<name>\w*)")


@dataclass(slots=True)
class Typed:
    """What was typed of a release, and which reasons of the form were filled in."""

    data: dict[str, Any]  # as JSON has it
    places: list[int] = field(default_factory=list)


def values_of(release: Release | None) -> dict[str, str]:
    """What stands in the fields of a release at first, by their names."""
    if release is None:
        return {}
    cells, reasons = cells_of_release(release)
    for place, reason in enumerate(reasons):
        cells |= {f"{name}-{place}": cell for name, cell in reason.items()}
    cells |= {name: "" for name in _ONLY_ASKED if cells[name] == "no"}
    return {name: _in_lines(name, cell) for name, cell in cells.items()}


def reason_places(release: Release | None) -> range:
    """The places of the reasons in a form: those that stand there, and one more."""
    typed = (name for name in request.form if name.startswith("reason_kind-"))
    stated = len(release.reasons) if release else 0
    return range(min(max(stated + 1, sum(1 for _ in typed)), MOST_REASONS))


def read_typed() -> Typed:
    """The release that stands in the form of this request."""
    cells = {column.name: _cell(column.name, column.name) for column in RELEASE_COLUMNS}
    reasons, places = [], []
    for place in reason_places(None):
        reason = {each.name: _cell(each.name, f"{each.name}-{place}") for each in REASON_COLUMNS}
        if any(reason.values()):
            reasons.append(reason)
            places.append(place)
    data = _NOTHING | release_of_cells(cells, reasons)
    data["reasons"] = [_NO_REASON | each for each in data["reasons"]]
    return Typed(data, places)


def faults_of_form(error: BadRowsError, typed: Typed) -> BadRowsError:
    """The same faults, under the names of the form's fields."""
    return BadRowsError(_renamed(error.rows, typed))


def _renamed(rows: Iterable[BadRow], typed: Typed) -> Iterator[BadRow]:
    for row in rows:
        match = _REASON_FIELD.match(row.field)
        if match and int(match["place"]) < len(typed.places):
            place, name = typed.places[int(match["place"])], match["name"] or "says"
            yield replace(row, field=f"reason_{name}-{place}")
        else:
            plain = re.sub(r"\[\d+\].*", "", row.field)
            yield replace(row, field=_FIELD_OF.get(plain, plain))


def _cell(column: str, name: str) -> str:
    typed = text(name).strip()
    if column not in _SEVERAL:
        return typed
    lines = (each.strip() for each in typed.splitlines())
    return BETWEEN.join(filter(None, lines))


def _in_lines(name: str, cell: str) -> str:
    is_several = name.partition("-")[0] in _SEVERAL
    return cell.replace(BETWEEN, "\n") if is_several else cell
