"""Enrolment codes: what lets agents join."""

from typing import Any

from flask import Response, render_template, request

from flashworthy_server.pages.blueprint import blueprint
from flashworthy_server.pages.forms import number_asked, or_back_to, text, to_page, whole_number
from flashworthy_server.services import credentials
from flashworthy_server.web.context import current_site, current_who

MOST_USES = 100_000
MOST_DAYS = 366


@blueprint.get("/codes")
def codes(**shown_once: Any) -> str:
    site, before = current_site(), number_asked("before")
    found, last = credentials.list_codes(site, before=before, count=site.config.page_rows)
    address = site.config.public_url or request.host_url
    return render_template(
        "pages/codes.html", codes=found, last=last, address=address.rstrip("/"), **shown_once
    )


@blueprint.post("/codes")
@or_back_to(codes)
def make_code() -> str:
    made = credentials.make_code(
        current_site(),
        current_who(),
        uses=whole_number("uses", 1, MOST_USES),
        days=whole_number("days", 1, MOST_DAYS),
        place=text("place"),
    )
    return codes(new_code=made)


@blueprint.post("/codes/<int:number>/revoke")
def revoke_code(number: int) -> Response:
    credentials.revoke_code(current_site(), current_who(), number)
    return to_page("codes")
