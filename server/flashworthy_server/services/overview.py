"""The overview: how the site stands, and what people have to look at first."""

from dataclasses import dataclass
from datetime import date, datetime, timedelta

from flashworthy_common.attention import AttentionCode
from flashworthy_common.makers import Combination
from flashworthy_common.need import Need, Standing
from flashworthy_common.readiness import Outcome
from flashworthy_server.db import Connection
from flashworthy_server.services import judgement, needs
from flashworthy_server.services.judgement import Judging
from flashworthy_server.site import Site
from flashworthy_server.store import counts
from flashworthy_server.store.ages import FIRMWARE_AGES
from flashworthy_server.store.ages import OLDEST_YEARS as OLDEST_YEARS
from flashworthy_server.store.due import load_judging

MOST_ROWS = 20  # models, places and worklist entries shown
REFUSALS_DAYS = 7
_FACETS = ("machines", "outcome", "standing", "priority", "attention")
_NO_PLACE = "not known"

Counted = dict[str, int]


@dataclass(frozen=True, slots=True)
class WorkItem:
    """A combination that somebody must look at, and how many machines wait for it."""

    combination_id: int
    combination: Combination
    need: Need
    machines: int
    because: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Overview:
    as_of: datetime
    judging: Judging | None  # none: what was recorded holds everywhere
    machines: int
    not_reported: int  # enrolled, and no report yet
    silent: int
    outcomes: Counted
    standings: Counted
    priorities: Counted
    attention: Counted
    models: list[tuple[str, str, int]]  # maker, model, machines
    places: Counted  # by the outermost name
    firmware_age: Counted  # full years since the date that the firmware states
    worklist: list[WorkItem]
    refusals: list[tuple[str, int, int]]  # request, status, how often


def overview(site: Site) -> Overview:
    judgement.catch_up(site)
    now = site.clock()
    with site.database.reading() as connection:
        counted = counts.load_counts(connection, _FACETS)
        attention = counts.count_by_attention(
            connection, now, asked=counted["attention"], priorities=counted["priority"]
        )
        return Overview(
            as_of=now,
            judging=load_judging(connection),
            machines=counted["machines"].get("", 0),
            not_reported=counted["outcome"].get("", 0),
            silent=counted["attention"].get(AttentionCode.SILENT.value, 0),  # those that rest too
            outcomes=_all_of([each.value for each in Outcome], counted["outcome"]),
            standings=_all_of([each.value for each in Standing], counted["standing"]),
            priorities=_named(counted["priority"], "none"),
            attention=attention,
            models=counts.models(connection, MOST_ROWS),
            places=_named(dict(counts.places(connection, MOST_ROWS)), _NO_PLACE),
            firmware_age=_ages(counts.count_by_age(connection, now.date())),
            worklist=_worklist(connection, MOST_ROWS),
            refusals=list(
                counts.refusals_since(connection, now.date() - timedelta(days=REFUSALS_DAYS))
            ),
        )


def worklist(site: Site, most: int) -> list[WorkItem]:
    """The combinations that are undecided, by the number of their machines."""
    judgement.catch_up(site)
    with site.database.reading() as connection:
        return _worklist(connection, most)


def recount(site: Site, *, mend: bool) -> list[tuple[str, str, int]]:
    """Hold every kept number against a recount: facet, name, and by how much it is too high.

    Args:
        mend: and put them right.
    """
    if not mend:
        with site.database.reading() as connection:
            return counts.differences(connection)
    with site.database.writing() as connection:
        found = counts.differences(connection)
        counts.mend(connection, found)
        return found


def count_refusal(site: Site, what: str, status: int) -> None:
    with site.database.writing() as connection:
        counts.add_refusal(connection, site.clock().date(), what, status)


def _worklist(connection: Connection, most: int) -> list[WorkItem]:
    found = dict(counts.undecided(connection, most))
    known = needs.load_all(connection, found)
    stored = [known[each] for each in found]
    seen = needs.with_observations(connection, stored)
    return [
        WorkItem(each.id, each.combination, need, found[each.id], _because(need))
        for each, need in zip(stored, seen, strict=True)
    ]


def _because(need: Need) -> str:
    if need.standing is Standing.UNREADABLE:
        return need.because
    if need.review is None:
        return "nobody has compared it with the maker's releases"
    return f"compared last on {need.review.reviewed_at.date()}, which is too long ago"


def _all_of(names: list[str], counted: Counted) -> Counted:
    return {name: counted.get(name, 0) for name in names}


def _named(counted: Counted, none: str) -> Counted:
    return {name or none: count for name, count in counted.items()}


def _ages(counted: Counted) -> Counted:
    return {age: counted[age] for age in FIRMWARE_AGES if counted.get(age)}


def years_before(day: date, years: int) -> date:
    """The same day of an earlier year; of 29 February the 28th where that year has none."""
    try:
        return day.replace(year=day.year - years)
    except ValueError:
        return day.replace(year=day.year - years, day=28)
