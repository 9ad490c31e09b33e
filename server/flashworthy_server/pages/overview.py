"""The first page: how the site stands."""

from flask import render_template

from flashworthy_server.pages.blueprint import blueprint
from flashworthy_server.services import overview as service
from flashworthy_server.web.context import current_site


@blueprint.get("/")
def overview() -> str:
    return render_template("pages/overview.html", overview=service.overview(current_site()))
