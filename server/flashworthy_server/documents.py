"""Files of what makers published, as people write them: JSON and CSV, in UTF-8.

- A document is read into rows, each with its line, or refused by name and line. What the rows say
  is judged elsewhere (`services.reading`).
- CSV has one release a line; `COLUMNS` says what stands where. It is what spreadsheets write: the
  separator is a comma, a semicolon or a tab, whichever the header has.
- What is written can be read back. A cell that a spreadsheet would run as a formula gets an
  apostrophe in front, which is taken off again.
"""

import csv
import io
import json
import re
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from typing import Any

from flashworthy_common.releases import Release
from flashworthy_common.values import to_json
from flashworthy_server.errors import BadRow, UnreadableBodyError
from flashworthy_server.wire import parse_json

KINDS = ("releases", "reviews", "advisories")
CSV_TYPE = "text/csv"

_SEPARATORS = (",", ";", "\t")
BETWEEN = " | "  # several values of one cell
_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")  # what a spreadsheet would run; OWASP
_FLAGS = {"yes": True, "true": True, "no": False, "false": False}
_LEAST = re.compile(r"(?P<name>.+?)\s*>=\s*(?P<version>\S.*)")


@dataclass(frozen=True, slots=True)
class Row:
    position: str  # such as "releases[3]", counted from 0; empty where there is one row only
    line: int | None  # of the file, counted from 1
    data: Any


@dataclass(slots=True)
class Document:
    """The rows of each kind, in their order, and what is wrong with the document as a whole."""

    rows: dict[str, list[Row]] = field(default_factory=lambda: {kind: [] for kind in KINDS})
    bad: list[BadRow] = field(default_factory=list)


def decoded(raw: bytes) -> str:
    """UTF-8, with or without a byte-order mark.

    Raises:
        UnreadableBodyError: it is in another encoding; the message names line and byte.
    """
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        raise UnreadableBodyError(
            f"line {line}: expected UTF-8, got the byte 0x{raw[error.start]:02x}; "
            "save the file as UTF-8"
        ) from None


# ---- JSON -------------------------------------------------------------------------------------


def read_json(text: str) -> Document:
    """A document ``{"releases": [...], "reviews": [...], "advisories": [...]}``, each optional.

    Raises:
        UnreadableBodyError: it is no JSON; the message names the line.
    """
    return document_of(parse_json(text), lines_of_rows(text))


def document_of(data: Any, lines: dict[str, int] | None = None) -> Document:
    """A document from decoded JSON.

    Args:
        lines: where the rows stand, by their positions.
    """
    document, lines = Document(), lines or {}
    if not isinstance(data, dict):
        expected = f"expected an object with {', '.join(KINDS)}"
        document.bad.append(BadRow("document", expected))
        return document
    for name, rows in data.items():
        if name not in KINDS:
            document.bad.append(BadRow(name, f"expected one of {', '.join(KINDS)}"))
        elif not isinstance(rows, list):
            document.bad.append(BadRow(name, "expected a list"))
        else:
            positions = (f"{name}[{index}]" for index in range(len(rows)))
            document.rows[name] = [
                Row(position, lines.get(position), row)
                for position, row in zip(positions, rows, strict=True)
            ]
    return document


def lines_of_rows(text: str) -> dict[str, int]:
    """The line, counted from 1, of every item of every list in the outermost object.

    Args:
        text: valid JSON.

    >>> lines_of_rows('{"releases": [\\n1,\\n2]}')
    {'releases[0]': 2, 'releases[1]': 3}
    """
    found, line, at = {}, 1, 0
    for position, start in _starts(text):
        line += text.count("\n", at, start)
        found[position], at = line, start
    return found


_SPACE = re.compile(r"[ \t\r\n,]*")  # also the commas between members: the text is valid JSON
_DECODER = json.JSONDecoder()


def _starts(text: str) -> Iterator[tuple[str, int]]:
    """Position and start of every item of every list in the outermost object."""
    at = _skip(text, 0)
    if text[at] != "{":
        return
    at = _skip(text, at + 1)
    while text[at] != "}":
        name, at = _DECODER.raw_decode(text, at)
        at = _skip(text, text.index(":", at) + 1)
        if text[at] != "[":
            at = _skip(text, _DECODER.raw_decode(text, at)[1])
            continue
        at, index = _skip(text, at + 1), 0
        while text[at] != "]":
            yield f"{name}[{index}]", at
            at, index = _skip(text, _DECODER.raw_decode(text, at)[1]), index + 1
        at = _skip(text, at + 1)


def _skip(text: str, at: int) -> int:
    match = _SPACE.match(text, at)
    return match.end() if match else at


# ---- CSV --------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Column:
    """One column: the field of a release that it holds, how it is written, and for people."""

    name: str
    path: tuple[str, ...]
    read: Callable[[str], Any]
    write: Callable[[Any], str]
    about: str


def _text(cell: str) -> str:
    return cell


def _number(cell: str) -> Any:
    return int(cell) if cell.isascii() and cell.lstrip("-").isdecimal() else cell


def _quantity(cell: str) -> Any:
    try:
        return float(cell)
    except ValueError:
        return cell


def _flag(cell: str) -> Any:
    return _FLAGS.get(cell.casefold(), cell)


def _list(cell: str) -> list[str]:
    return [each.strip() for each in cell.split(BETWEEN.strip())]


def _least(cell: str) -> list[Any]:
    """``name >= version`` of each; what is written otherwise is no version of anything."""
    matches = [(each, _LEAST.fullmatch(each)) for each in _list(cell)]
    return [
        {"name": match["name"], "version_text": match["version"]} if match else each
        for each, match in matches
    ]


def _write(value: Any) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, list):
        return BETWEEN.join(map(_write, value))
    if isinstance(value, dict):
        return f"{value['name']} >= {value['version_text']}"
    if isinstance(value, float):
        return f"{value:g}"
    return "" if value is None else str(value)


def _column(name: str, read: Callable[[str], Any], about: str, *path: str) -> Column:
    return Column(name, path or (name,), read, _write, about)


_SEVERAL = f"several are separated by `{BETWEEN.strip()}`"
_LEAST_FORM = f"`name >= version`; {_SEVERAL}"
_YES_NO = "`yes` or `no`"

RELEASE_COLUMNS = (
    _column("machine_maker", _text, "who published it; required"),
    _column(
        "models",
        _list,
        f"product names, boards or machine types, `*` for any text; {_SEVERAL}; required",
    ),
    _column("version_text", _text, "required"),
    _column("skus", _list, f"only these order codes; {_SEVERAL}"),
    _column("board_versions", _list, f"only these board versions; {_SEVERAL}"),
    _column("released_on", _text, "date, such as 2026-05-04"),
    _column("state", _text, "`offered`, `superseded` or `withdrawn`; empty: offered"),
    _column("state_reason", _text, "why it was withdrawn; required then"),
    _column("notes_url", _text, "link to the maker's notes"),
    _column("requires_firmware", _text, "the oldest version to step from", "requires", "firmware"),
    _column(
        "requires_os_builds", _least, f"one per system, {_LEAST_FORM}", "requires", "os_builds"
    ),
    _column(
        "requires_installed",
        _least,
        f"drivers and packages, {_LEAST_FORM}",
        "requires",
        "installed",
    ),
    _column("requires_mains", _flag, _YES_NO, "requires", "mains"),
    _column(
        "requires_charge_percent",
        _quantity,
        "battery charge, 0 to 100",
        "requires",
        "charge_percent",
    ),
    _column(
        "requires_free_bytes", _number, "free space on the system disk", "requires", "free_bytes"
    ),
    _column(
        "requires_os_updates",
        _flag,
        f"pending updates installed first: {_YES_NO}",
        "requires",
        "os_updates",
    ),
    _column(
        "ways", _list, f"`inside-os`, `capsule`, `boot-media`, `management-controller`; {_SEVERAL}"
    ),
    _column("minutes", _number, "of one flash, restarts included"),
    _column("restarts", _number, "how many"),
    _column("resets_settings", _flag, f"{_YES_NO}; empty: the notes do not say"),
    _column("can_go_back", _flag, f"{_YES_NO}; empty: the notes do not say"),
    _column("back_to", _text, "the oldest version that one can go back to"),
    _column("esrt_class", _text, "GUID"),
    _column("esrt_version", _number, "a whole number"),
    _column("recovery", _text, "what to do if the machine no longer starts"),
)
REASON_COLUMNS = (
    _column(
        "reason_kind",
        _text,
        "`security`, `fault`, `required`, `ordered-by-maker` or `ordered-by-site`",
        "kind",
    ),
    _column("reason_says", _text, "what it closes, mends or brings", "says"),
    _column("reason_source", _text, "where that can be read", "source"),
    _column(
        "reason_priority",
        _text,
        "only to set it by hand: `defer`, `scheduled`, `out-of-cycle`, `immediate`",
        "priority",
    ),
    _column("reason_advisories", _list, f"ids; {_SEVERAL}", "advisories"),
    _column(
        "reason_symptoms", _list, f"what a machine with this fault shows; {_SEVERAL}", "symptoms"
    ),
)
COLUMNS = (*RELEASE_COLUMNS, *REASON_COLUMNS)
_NAMING = ("machine_maker", "models", "version_text")


def read_csv(text: str) -> Document:
    """Releases from CSV.

    A release with several reasons takes several lines: each further one repeats maker, models and
    version and gives only a reason.

    Raises:
        UnreadableBodyError: it cannot be taken apart; the message names the line.
    """
    document, lines = Document(), _csv_lines(text)
    header = next(lines, None)
    if header is None:
        document.bad.append(BadRow("header", "expected the names of the columns, got nothing"))
        return document
    names = [name.strip() for name in header[1]]
    document.bad += _faults_of_header(names)
    if document.bad:
        return document
    for line, cells in lines:
        if len(cells) > len(names):
            says = f"expected {len(names)} cells as in the header, got {len(cells)}"
            document.bad.append(BadRow(f"line {line}", says, line=line))
        elif any(cells):
            _add(document.rows["releases"], line, dict(zip(names, cells, strict=False)))
    return document


def write_csv(releases: Iterable[Release]) -> Iterator[str]:
    """Releases as CSV, line by line."""
    yield _csv_line(column.name for column in COLUMNS)
    for release in releases:
        data = to_json(release)
        reasons = data["reasons"] or [None]
        whole = [_cell(column, data) for column in RELEASE_COLUMNS]
        yield _csv_line([*whole, *_reason_cells(reasons[0])])
        named = [
            _cell(column, data) if column.name in _NAMING else "" for column in RELEASE_COLUMNS
        ]
        for reason in reasons[1:]:
            yield _csv_line([*named, *_reason_cells(reason)])


def _csv_lines(text: str) -> Iterator[tuple[int, list[str]]]:
    first = text.partition("\n")[0]
    separator = max(_SEPARATORS, key=first.count)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)
    start = 1
    try:
        for cells in reader:
            yield start, [_without_apostrophe(cell.strip()) for cell in cells]
            start = reader.line_num + 1
    except csv.Error as error:
        raise UnreadableBodyError(f"line {start}: not CSV: {error}") from None


def _faults_of_header(names: list[str]) -> list[BadRow]:
    known = {column.name for column in COLUMNS}
    unknown = [name for name in names if name not in known]
    twice = sorted({name for name in names if names.count(name) > 1} - set(unknown))
    missing = [name for name in _NAMING if name not in names]
    return [
        *(BadRow("header", f"no column is known by the name {name!r}", line=1) for name in unknown),
        *(BadRow("header", f"the column {name} stands there twice", line=1) for name in twice),
        *(BadRow("header", f"the column {name} is missing", line=1) for name in missing),
    ]


def _add(rows: list[Row], line: int, cells: dict[str, str]) -> None:
    """Add a release, or a further reason to the one before."""
    reason = _object(REASON_COLUMNS, cells)
    last = rows[-1].data if rows else None
    if last is not None and reason and _is_further(cells, last):
        last["reasons"].append(reason)
        return
    rows.append(Row(f"releases[{len(rows)}]", line, release_of_cells(cells)))


def release_of_cells(
    cells: dict[str, str], reasons: Iterable[dict[str, str]] | None = None
) -> dict[str, Any]:
    """A release, as JSON has it, from cells by their columns' names.

    Args:
        reasons: the cells of each; none: the one that stands in the same line.
    """
    objects = (_object(REASON_COLUMNS, each) for each in ([cells] if reasons is None else reasons))
    return _object(RELEASE_COLUMNS, cells) | {"reasons": [each for each in objects if each]}


def cells_of_release(release: Release) -> tuple[dict[str, str], list[dict[str, str]]]:
    """The cells of a release, and those of each of its reasons, by their columns' names."""
    data = to_json(release)
    reasons = [
        {column.name: _cell(column, each) for column in REASON_COLUMNS} for each in data["reasons"]
    ]
    return {column.name: _cell(column, data) for column in RELEASE_COLUMNS}, reasons


def _is_further(cells: dict[str, str], last: dict[str, Any]) -> bool:
    whole = _object(RELEASE_COLUMNS, cells)
    return set(whole) == set(_NAMING) and all(whole[name] == last.get(name) for name in _NAMING)


def _object(columns: Iterable[Column], cells: dict[str, str]) -> dict[str, Any]:
    """The object that the filled cells make."""
    found: dict[str, Any] = {}
    for column in columns:
        if cell := cells.get(column.name, ""):
            *outer, name = column.path
            inner = found
            for each in outer:
                inner = inner.setdefault(each, {})
            inner[name] = column.read(cell)
    return found


def _cell(column: Column, data: Any) -> str:
    for name in column.path:
        data = data[name]
    return column.write(data)


def _reason_cells(reason: Any) -> list[str]:
    return ["" if reason is None else _cell(column, reason) for column in REASON_COLUMNS]


def _csv_line(cells: Iterable[str]) -> str:
    line = io.StringIO()
    csv.writer(line).writerow([_with_apostrophe(cell) for cell in cells])
    return line.getvalue()


def _with_apostrophe(cell: str) -> str:
    return f"'{cell}" if cell.startswith(_FORMULA_STARTS) else cell


def _without_apostrophe(cell: str) -> str:
    return cell[1:] if cell.startswith("'") and cell[1:].startswith(_FORMULA_STARTS) else cell
