"""Today: how the site stands, what is pressing and why, and what changed since yesterday."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

from flashworthy_common.attention import PRESSING
from flashworthy_common.reasons import Priority, Reason
from flashworthy_server.db import Connection
from flashworthy_server.services import needs
from flashworthy_server.services.overview import Overview, overview
from flashworthy_server.site import Site
from flashworthy_server.store import counts as count_store
from flashworthy_server.store import daily as store
from flashworthy_server.store import flashes as flash_store
from flashworthy_server.store.combinations import StoredCombination
from flashworthy_server.store.flashes import FlashOfMachine as FlashOfMachine

WEEKS_SHOWN = 4
MOST_PRESSING = 8  # combinations
MOST_FLASHES = 8

Counts = Mapping[str, int]


@dataclass(frozen=True, slots=True)
class Pressing:
    """A combination with a pressing reason, and how many machines run it."""

    of: StoredCombination
    machines: int

    @property
    def priority(self) -> Priority | None:
        return self.of.need.priority

    @property
    def reasons(self) -> list[Reason]:
        """Those that make it pressing."""
        return [each for each in self.of.need.reasons if each.priority is self.priority]


@dataclass(frozen=True, slots=True)
class Change:
    """A number that is another than it was at the end of yesterday."""

    name: str
    before: int
    now: int


@dataclass(frozen=True, slots=True)
class Today:
    overview: Overview
    pressing: list[Pressing]
    changes: list[Change] | None  # none: nothing was noted yesterday
    flashes: list[FlashOfMachine]  # closed since yesterday, newest first
    days: dict[date, Counts]  # outcomes at the end of each day, and today


def today(site: Site) -> Today:
    found = overview(site)
    on = found.as_of.date()
    with site.database.reading() as connection:
        noted = store.load_counts(connection, on - timedelta(weeks=WEEKS_SHOWN))
        flashes = flash_store.closed_since(
            connection, found.as_of - timedelta(days=1), MOST_FLASHES
        )
        pressing = _pressing(connection)
    counts = counts_of(found)
    yesterday = noted.get(on - timedelta(days=1))
    days = {day: _outcomes(each) for day, each in noted.items() if day < on}
    return Today(
        overview=found,
        pressing=pressing,
        changes=None if yesterday is None else _changes(yesterday, counts),
        flashes=flashes,
        days=days | {on: _outcomes(counts)},
    )


def note_counts(site: Site) -> None:
    """Note how the site stands now, for today."""
    found = overview(site)
    with site.database.writing() as connection:
        store.save_counts(connection, found.as_of.date(), counts_of(found))


def counts_of(found: Overview) -> dict[str, Any]:
    """What is kept of each day, as JSON."""
    return {
        "machines": found.machines,
        "silent": found.silent,
        "outcomes": found.outcomes,
        "attention": found.attention,
    }


def _pressing(connection: Connection) -> list[Pressing]:
    counted = count_store.of_priority(connection, [each.value for each in PRESSING], MOST_PRESSING)
    known = needs.load_all(connection, counted)
    return [Pressing(known[each], machines) for each, machines in counted.items()]


def _outcomes(counts: Mapping[str, Any]) -> Counts:
    return dict(counts["outcomes"])


def _changes(before: Mapping[str, Any], now: Mapping[str, Any]) -> list[Change]:
    earlier, later = _flat(before), _flat(now)
    return [
        Change(name, earlier.get(name, 0), later.get(name, 0))
        for name in {**later, **earlier}
        if earlier.get(name, 0) != later.get(name, 0)
    ]


def _flat(counts: Mapping[str, Any]) -> dict[str, int]:
    alone = {name: counts[name] for name in ("machines", "silent")}
    attention = {f"attention: {name}": count for name, count in counts["attention"].items()}
    return {**counts["outcomes"], **alone, **attention}
