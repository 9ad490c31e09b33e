"""The one blueprint of the pages, and what every template may use."""

import uuid
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from flask import Blueprint, g, request, url_for

from flashworthy_common.present import age_in_words
from flashworthy_common.values import write_time
from flashworthy_server.local_time import window_in_words
from flashworthy_server.pages.forms import Form, form_that_came_back
from flashworthy_server.services.visits import StoredVisit
from flashworthy_server.services.who import Role, Who
from flashworthy_server.web import access
from flashworthy_server.web.context import current_site
from flashworthy_server.web.cookies import form_token
from flashworthy_server.web.origin import FORM_FIELD

# Where one can go from every page: endpoint and label. The house is what few need often.
PLACES = (
    ("overview", "Today"),
    ("machines", "Machines"),
    ("visits", "Visits"),
    ("review", "Review"),
    ("releases", "Releases"),
)
HOUSE = (
    ("settings", "Settings"),
    ("jobs", "Long work"),
    ("account", "Account"),
)

blueprint = Blueprint(
    access.PAGES,
    __name__,
    template_folder="templates",
    static_folder="static",
    static_url_path="/static",
)


@dataclass(frozen=True, slots=True)
class Link:
    path: str
    label: str
    is_here: bool  # it leads to this page, or to the one above it


@blueprint.app_context_processor  # also where nothing is served
def _for_templates() -> dict[str, Any]:
    who: Who = g.who
    return {
        "HOUSE": HOUSE,
        "PLACES": PLACES,
        "faults": g.get("faults", ()),
        "form_field": FORM_FIELD,
        "form_that_came_back": form_that_came_back,
        "form_to": Form,
        "form_token": form_token,
        "links_to": lambda pages: list(_links(pages, who.role)),
        "new_key": lambda: str(uuid.uuid4()),
        "may": lambda endpoint: _may(who.role, f"{access.PAGES}.{endpoint}"),
        "who": who,
    }


@blueprint.app_template_filter("ago")
def _ago(then: datetime | None) -> str:
    return age_in_words(current_site().clock(), then) if then else "never"


@blueprint.app_template_filter("initial")
def _initial(text: str) -> str:
    """A text with a capital in front; the rest as it is."""
    return text[:1].upper() + text[1:]


@blueprint.app_template_filter("yes_no")
def _yes_no(value: Any) -> str:
    """A flag in a word; anything else as it is."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    return str(value)


@blueprint.app_template_filter("exact")
def _exact(time: datetime | None) -> str:
    """As programs read it."""
    return write_time(time) if time else ""


@blueprint.app_template_filter("minute")
def _minute(time: datetime | None) -> str:
    """As people read it, to the minute."""
    return f"{time.astimezone(UTC):%Y-%m-%d %H:%M} UTC" if time else ""


@blueprint.app_template_filter("window")
def _window(visit: StoredVisit) -> str:
    """When a visit is, in the site's own time."""
    zone_name = current_site().config.time_zone
    return window_in_words(visit.begins_at, visit.ends_at, zone_name)


def _links(pages: Iterable[tuple[str, str]], role: Role | None) -> Iterator[Link]:
    for endpoint, label in pages:
        if _may(role, f"{access.PAGES}.{endpoint}"):
            path = url_for(f"{access.PAGES}.{endpoint}")
            is_above = path != "/" and request.path.startswith(f"{path}/")
            yield Link(path, label, is_here=path == request.path or is_above)


def _may(role: Role | None, endpoint: str) -> bool:
    allowed = access.MAY.get(endpoint, frozenset())
    return allowed is access.ANYONE or role in allowed
