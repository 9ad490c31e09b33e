"""Releases: what makers published, and the form by which a person records one.

The form has the fields of a line of CSV, read by the same columns.
"""

from flask import Response, render_template, request

from flashworthy_server.documents import COLUMNS, release_of_cells
from flashworthy_server.pages.blueprint import blueprint
from flashworthy_server.pages.forms import or_back_to, text, to_page
from flashworthy_server.services import releases as service
from flashworthy_server.web.context import current_site, current_who

NEEDED = frozenset({"machine_maker", "models", "version_text"})


@blueprint.get("/releases")
def releases() -> str:
    after = request.args.get("after", 0, type=int)
    found, last = service.list_releases(
        current_site(), service.ReleaseFilters(), after=after, count=current_site().config.page_rows
    )
    return render_template(
        "pages/releases.html", releases=found, last=last, columns=COLUMNS, needed=NEEDED
    )


@blueprint.post("/releases")
@or_back_to(releases)
def record_release() -> Response:
    cells = {column.name: text(column.name).strip() for column in COLUMNS}
    service.record_release(current_site(), current_who(), release_of_cells(cells))
    return to_page("releases")
