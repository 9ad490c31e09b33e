"""One machine's story on one page, from reason to result."""

from flask import render_template

from flashworthy_server.pages.blueprint import blueprint
from flashworthy_server.services import records as service
from flashworthy_server.web.context import current_site


@blueprint.get("/machines/<int:machine_id>/record")
def record(machine_id: int) -> str:
    story = service.story_of(current_site(), machine_id)
    return render_template("pages/record.html", story=story)
