"""Saying where many machines stand: by rules, or by a list of hostnames; with a preview.

A machine's place by a person's hand wins over both (`services.places`). Machines of another place
may have other limits: their verdicts are made due.
"""

import csv
import io
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime

from flashworthy_common.errors import MalformedValueError
from flashworthy_common.values import from_json, to_json
from flashworthy_common.visits.place_rules import PlaceRule, place_by_rules, problem_of
from flashworthy_server.db import Connection
from flashworthy_server.errors import BadRow, BadRowsError
from flashworthy_server.services import audit
from flashworthy_server.services.places import PlaceBy, canonical_place, may_say
from flashworthy_server.services.who import Who
from flashworthy_server.site import Site
from flashworthy_server.store import machines as machine_store
from flashworthy_server.store import places as store
from flashworthy_server.store.places import Standing

MOST_RULES = 1000
MOST_LINES = 100_000  # of a list
_AT_ONCE = 500  # machines read or written in one go
_COLUMNS = ("hostname", "place")


@dataclass(frozen=True, slots=True)
class Move:
    """A machine that will stand elsewhere."""

    machine_id: int
    name: str
    before: str | None
    place: str | None


@dataclass(frozen=True, slots=True)
class Kept:
    """A machine that stays where somebody says who counts for more."""

    name: str
    place: str | None
    by: str
    other: str  # what the rules or the list say


@dataclass(frozen=True, slots=True)
class Placing:
    """What a list or rules change, or would."""

    moves: tuple[Move, ...] = ()
    kept: tuple[Kept, ...] = ()
    not_found: tuple[str, ...] = ()  # hostnames of a list that no machine has, or several have
    unchanged: int = 0


def rules_of(site: Site) -> tuple[PlaceRule, ...]:
    with site.database.reading() as connection:
        return store.load_rules(connection)


def preview_rules(site: Site, data: object) -> Placing:
    """What these rules would change, in place of those that there are.

    Raises:
        BadRowsError: a rule is wrong; each is named.
    """
    rules = _read_rules(data)
    with site.database.reading() as connection:
        return _by_rules(connection, rules)


def set_rules(site: Site, who: Who, data: object) -> Placing:
    """Let these rules be the site's, and move what they move.

    Raises:
        BadRowsError: a rule is wrong; each is named.
    """
    rules, now = _read_rules(data), site.clock()
    with site.database.writing() as connection:
        before = store.load_rules(connection)
        store.save_rules(connection, rules, now)
        found = _by_rules(connection, rules)
        _move(connection, found, PlaceBy.RULE, now)
        was, told = ([to_json(rule) for rule in each] for each in (before, rules))
        after = {"rules": told, "moved": len(found.moves)}
        audit.record(connection, who, now, "places.rules", "site", before=was, after=after)
    return found


def preview_list(site: Site, text: str) -> Placing:
    """What a list of hostnames and places would change.

    Raises:
        BadRowsError: a line is wrong; each is named.
    """
    lines = _read_list(text)
    with site.database.reading() as connection:
        return _by_list(connection, lines)


def import_list(site: Site, who: Who, text: str) -> Placing:
    """Let machines stand where a list says.

    Args:
        text: CSV with the columns hostname and place, in this order or named by a header.

    Raises:
        BadRowsError: a line is wrong; nothing is changed.
    """
    lines, now = _read_list(text), site.clock()
    with site.database.writing() as connection:
        found = _by_list(connection, lines)
        _move(connection, found, PlaceBy.LIST, now)
        changes = [
            (f"machine #{move.machine_id}", {"place": move.before}, {"place": move.place})
            for move in found.moves
        ]
        audit.record_all(connection, who, now, "machine.move", changes)
    return found


def _move(connection: Connection, found: Placing, by: PlaceBy, now: datetime) -> None:
    for start in range(0, len(found.moves), _AT_ONCE):
        moves = found.moves[start:][:_AT_ONCE]
        store.save_places(connection, [(each.machine_id, each.place) for each in moves], by.value)
        machine_store.make_machines_due(connection, [each.machine_id for each in moves], now)


# ---- by rules ---------------------------------------------------------------------------------


def _by_rules(connection: Connection, rules: tuple[PlaceRule, ...]) -> Placing:
    said = (
        (machine, place_by_rules(rules, machine.name, machine.address))
        for machine in _all(connection)
    )
    return _placing(said, PlaceBy.RULE)


def _all(connection: Connection) -> Iterator[Standing]:
    last = 0
    while found := store.standing_after(connection, last, _AT_ONCE):
        yield from found
        last = found[-1].id


def _read_rules(data: object) -> tuple[PlaceRule, ...]:
    if not isinstance(data, list) or len(data) > MOST_RULES:
        raise BadRowsError([BadRow("rules", f"expected a list of at most {MOST_RULES} rules")])
    bad: list[BadRow] = []
    rules = [_read_rule(f"rules[{number}]", row, bad) for number, row in enumerate(data)]
    if bad:
        raise BadRowsError(bad)
    return tuple(rule for rule in rules if rule)


def _read_rule(position: str, row: object, bad: list[BadRow]) -> PlaceRule | None:
    try:
        rule = from_json(PlaceRule, row)
    except MalformedValueError as error:
        bad.append(BadRow(position, str(error), error.path))
        return None
    place = canonical_place(rule.place)
    if place is None:
        bad.append(BadRow(position, "expected a place, such as Elmford / staff room", "place"))
        return None
    if problem := problem_of(rule):
        bad.append(BadRow(position, problem[1], problem[0]))
        return None
    return PlaceRule(place=place, hostname=rule.hostname.strip(), addresses=rule.addresses.strip())


# ---- by a list --------------------------------------------------------------------------------


def _by_list(connection: Connection, places: dict[str, str]) -> Placing:
    names = list(places)
    found: dict[str, list[Standing]] = {}
    for start in range(0, len(names), _AT_ONCE):
        for machine in store.standing_of_names(connection, names[start:][:_AT_ONCE]):
            found.setdefault(machine.name.lower(), []).append(machine)
    named = [(name, found.get(name, [])) for name in names]
    unknown = tuple(name for name, machines in named if len(machines) != 1)
    said = [(machines[0], places[name]) for name, machines in named if len(machines) == 1]
    return _placing(said, PlaceBy.LIST, unknown)


def _read_list(text: str) -> dict[str, str]:
    """Places by hostname in small letters."""
    bad: list[BadRow] = []
    places: dict[str, str] = {}
    for line, row in enumerate(csv.reader(io.StringIO(text), _dialect(text)), 1):
        cells = [cell.strip() for cell in row]
        if not any(cells) or (line == 1 and [each.lower() for each in cells] == [*_COLUMNS]):
            continue
        if line > MOST_LINES:
            raise BadRowsError([BadRow("list", f"expected at most {MOST_LINES} lines", line=line)])
        _read_line(line, cells, places, bad)
    if bad:
        raise BadRowsError(bad)
    return places


def _read_line(line: int, cells: list[str], places: dict[str, str], bad: list[BadRow]) -> None:
    position = f"line {line}"
    if len(cells) != len(_COLUMNS) or not cells[0]:
        bad.append(BadRow(position, f"expected hostname and place, got {cells!r:.80}", line=line))
        return
    place, name = canonical_place(cells[1]), cells[0].lower()
    if place is None:
        bad.append(BadRow(position, f"expected a place, got {cells[1]!r:.80}", "place", line))
    elif places.setdefault(name, place) != place:
        bad.append(BadRow(position, f"{cells[0]} stands at {places[name]} above", "place", line))


def _dialect(text: str) -> type[csv.Dialect]:
    """Comma, semicolon or tab, whichever the first line has."""
    first = text.partition("\n")[0]
    separator = max((",", ";", "\t"), key=first.count)
    return type("Separated", (csv.excel,), {"delimiter": separator})


# ---- both -------------------------------------------------------------------------------------


def _placing(
    said: Iterable[tuple[Standing, str | None]], by: PlaceBy, unknown: tuple[str, ...] = ()
) -> Placing:
    moves: list[Move] = []
    kept: list[Kept] = []
    unchanged = 0
    for machine, place in said:
        if machine.place == place:
            unchanged += 1
        elif may_say(by, machine.place_by):
            moves.append(Move(machine.id, machine.name, machine.place, place))
        elif place is not None:
            kept.append(Kept(machine.name, machine.place, str(machine.place_by), place))
    return Placing(tuple(moves), tuple(kept), unknown, unchanged)
