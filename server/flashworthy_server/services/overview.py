"""The overview: how the site stands, and what people have to look at first."""

from dataclasses import dataclass
from datetime import date, datetime, timedelta

from flashworthy_common.attention import silent_before
from flashworthy_common.makers import Combination
from flashworthy_common.need import Need, Standing
from flashworthy_common.readiness import Outcome
from flashworthy_server.db import Connection
from flashworthy_server.services import judgement, needs
from flashworthy_server.services.limits import load_limits
from flashworthy_server.services.places import outermost
from flashworthy_server.site import Site
from flashworthy_server.store import counts
from flashworthy_server.store.listing import AsOf

MOST_ROWS = 20  # models, places and worklist entries shown
REFUSALS_DAYS = 7
_NOT_KNOWN = "not known"
OLDEST_YEARS = 10  # firmware of this age and above is counted together

Counted = dict[str, int]


@dataclass(frozen=True, slots=True)
class WorkItem:
    """A combination that somebody must look at, and how many machines wait for it."""

    combination: Combination
    need: Need
    machines: int
    because: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Overview:
    as_of: datetime
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
    judgement.judge_due(site)
    now = site.clock()
    with site.database.reading() as connection:
        as_of = AsOf(now, silent_before(load_limits(connection).policy_at(None), now))
        outcomes = counts.count_by_outcome(connection)
        return Overview(
            as_of=now,
            machines=counts.count_machines(connection),
            not_reported=outcomes.pop(None, 0),
            silent=counts.count_silent(connection, as_of),
            outcomes=_all_of([each.value for each in Outcome], outcomes),
            standings=_all_of(
                [each.value for each in Standing], counts.count_by_standing(connection)
            ),
            priorities=_named(counts.count_by_priority(connection), "none"),
            attention=counts.count_by_attention(connection, as_of),
            models=counts.count_by_model(connection, MOST_ROWS),
            places=_outermost(counts.count_by_place(connection)),
            firmware_age=_ages(counts.count_by_firmware_date(connection), now.date()),
            worklist=_worklist(connection, MOST_ROWS),
            refusals=list(
                counts.refusals_since(connection, now.date() - timedelta(days=REFUSALS_DAYS))
            ),
        )


def worklist(site: Site, most: int) -> list[WorkItem]:
    """The combinations that are undecided, by the number of their machines."""
    judgement.judge_due(site)
    with site.database.reading() as connection:
        return _worklist(connection, most)


def count_refusal(site: Site, what: str, status: int) -> None:
    with site.database.writing() as connection:
        counts.add_refusal(connection, site.clock().date(), what, status)


def _worklist(connection: Connection, most: int) -> list[WorkItem]:
    found = counts.combinations_with_outcome(connection, Outcome.UNDECIDED.value, most)
    return [_work_item(connection, combination_id, machines) for combination_id, machines in found]


def _work_item(connection: Connection, combination_id: int, machines: int) -> WorkItem:
    stored = needs.load(connection, combination_id)
    need = needs.with_observation(connection, stored, stored.need)
    return WorkItem(stored.combination, need, machines, _because(need))


def _because(need: Need) -> str:
    if need.standing is Standing.UNREADABLE:
        return need.because
    if need.review is None:
        return "nobody has compared it with the maker's releases"
    return f"compared last on {need.review.reviewed_at.date()}, which is too long ago"


def _all_of(names: list[str], counted: dict[str | None, int]) -> Counted:
    return {name: counted.get(name, 0) for name in names}


def _named(counted: dict[str | None, int], none: str) -> Counted:
    return {name or none: count for name, count in counted.items()}


def _outermost(counted: dict[str | None, int]) -> Counted:
    found: Counted = {}
    for place, count in counted.items():
        name = outermost(place) if place else _NOT_KNOWN
        found[name] = found.get(name, 0) + count
    return dict(sorted(found.items(), key=lambda item: (-item[1], item[0]))[:MOST_ROWS])


def _ages(counted: dict[date | None, int], today: date) -> Counted:
    found: Counted = {}
    for stated_on, count in sorted(counted.items(), key=lambda item: item[0] or date.min):
        name = _age(stated_on, today)
        found[name] = found.get(name, 0) + count
    return found


def years_before(day: date, years: int) -> date:
    """The same day of an earlier year; of 29 February the 28th where that year has none."""
    try:
        return day.replace(year=day.year - years)
    except ValueError:
        return day.replace(year=day.year - years, day=28)


def _age(stated_on: date | None, today: date) -> str:
    if stated_on is None:
        return _NOT_KNOWN
    if stated_on > today:
        return "in the future"
    passed = (today.month, today.day) >= (stated_on.month, stated_on.day)
    years = today.year - stated_on.year - (0 if passed else 1)
    return str(years) if years < OLDEST_YEARS else f"{OLDEST_YEARS} and more"
