"""The first page: how the site stands today, and what is to be done first."""

from flask import render_template

from flashworthy_common.readiness import Outcome
from flashworthy_server.pages import pictures
from flashworthy_server.pages.blueprint import blueprint
from flashworthy_server.services import today as service
from flashworthy_server.services import visits as visit_service
from flashworthy_server.web.context import current_site

_MOST_OPEN = 8  # of the worklist; the rest is counted
MEANS = {
    Outcome.CLEAR: "go; look again on the spot",
    Outcome.PREPARE: "go, with what stands on each sheet done or brought",
    Outcome.HOLD: "must not be flashed as things stand",
    Outcome.UNDECIDED: "somebody must look first",
    Outcome.LEAVE: "leave alone: no reason suffices, or it is done",
}


@blueprint.get("/")
def overview() -> str:
    site = current_site()
    found = service.today(site)
    outcomes = [each.value for each in MEANS]
    courses = {name: [day[name] for day in found.days.values()] for name in outcomes}
    return render_template(
        "pages/overview.html",
        today=found,
        overview=found.overview,
        visits=visit_service.visits_of_today(site),
        means={each.value: words for each, words in MEANS.items()},
        most_open=_MOST_OPEN,
        ages=_in_order(found.overview.firmware_age),
        age_picture=pictures.bars(
            {_years(name): count for name, count in _in_order(found.overview.firmware_age).items()},
            "machines by the age of their firmware",
        ),
        course_picture=pictures.courses(courses, "machines by outcome, day by day"),
        years=_years,
    )


def _in_order(ages: dict[str, int]) -> dict[str, int]:
    """Youngest first; what is not a number last."""
    return dict(
        sorted(ages.items(), key=lambda item: (not item[0][:1].isdecimal(), _full(item[0])))
    )


def _full(name: str) -> int:
    number = name.partition(" ")[0]
    return int(number) if number.isdecimal() else 0


def _years(name: str) -> str:
    """An age as it is read."""
    if not name[:1].isdecimal():
        return name
    return {"0": "this year's", "1": "1 year"}.get(
        name, f"{name} years".replace("more years", "more")
    )
