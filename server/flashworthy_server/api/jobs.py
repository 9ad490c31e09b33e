"""Jobs: long work that was asked for, how far it has come, and what came of it."""

from typing import Any

from flask import Response

from flashworthy_server.answers import JobSchema, JobsSchema
from flashworthy_server.api.bodies import Blueprint
from flashworthy_server.api.pages import Cursor, next_link
from flashworthy_server.api.queries import LimitSchema, page_count
from flashworthy_server.services import jobs as service
from flashworthy_server.web.context import current_site, current_who

blueprint = Blueprint("jobs", __name__, url_prefix="/jobs", description="long work")


class JobQuerySchema(LimitSchema):
    after = Cursor(int)


@blueprint.route("")
@blueprint.arguments(JobQuerySchema, location="query")
@blueprint.response(200, JobsSchema)
def list_all(query: dict[str, Any]) -> Any:
    """One's own jobs, for an administrator everyone's, newest first, one page after another."""
    (before,) = query.get("after", (None,))
    found, last = service.list_jobs(
        current_site(), current_who(), before=before, count=page_count(query)
    )
    return {"jobs": found}, next_link(last) if last else {}


@blueprint.route("/<int:job_id>")
@blueprint.response(200, JobSchema)
def one(job_id: int) -> service.StoredJob:
    """One job."""
    return service.view(current_site(), current_who(), job_id)


@blueprint.route("/<int:job_id>/output")
@blueprint.response(
    200, {"type": "string", "format": "binary"}, content_type="application/octet-stream"
)
def output(job_id: int) -> Response:
    """The file that came of a job."""
    content = service.output(current_site(), current_who(), job_id)
    return Response(content, content_type="application/octet-stream")
