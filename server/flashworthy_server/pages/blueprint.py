"""The one blueprint of the pages, and what every template may use."""

from datetime import datetime
from typing import Any

from flask import Blueprint, g, request

from flashworthy_common.present import age_in_words
from flashworthy_common.values import write_time
from flashworthy_server.services.who import Role, Who
from flashworthy_server.web import access
from flashworthy_server.web.context import current_site
from flashworthy_server.web.cookies import form_token
from flashworthy_server.web.origin import FORM_FIELD

blueprint = Blueprint(
    access.PAGES,
    __name__,
    template_folder="templates",
    static_folder="static",
    static_url_path="/static",
)


@blueprint.app_context_processor  # also where nothing is served
def _for_templates() -> dict[str, Any]:
    who: Who = g.who
    return {
        "error": g.get("error"),
        "form_field": FORM_FIELD,
        "form_token": form_token,
        "may": lambda endpoint: _may(who.role, f"{access.PAGES}.{endpoint}"),
        "typed": request.form if g.get("error") else {},
        "who": who,
    }


@blueprint.app_template_filter("ago")
def _ago(then: datetime | None) -> str:
    return age_in_words(current_site().clock(), then) if then else "never"


@blueprint.app_template_filter("exact")
def _exact(time: datetime | None) -> str:
    return write_time(time) if time else ""


def _may(role: Role | None, endpoint: str) -> bool:
    allowed = access.MAY[endpoint]
    return allowed is access.ANYONE or role in allowed
