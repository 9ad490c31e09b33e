"""Releases and reviews: what people recorded."""

from typing import Any

from marshmallow import fields

from flashworthy_server.answers import ImportedSchema, ReleasesSchema, TallySchema
from flashworthy_server.api.bodies import Blueprint, read_body
from flashworthy_server.api.machines import LimitSchema
from flashworthy_server.api.pages import Cursor, next_link
from flashworthy_server.services import releases as service
from flashworthy_server.web.context import current_site, current_who

blueprint = Blueprint(
    "releases", __name__, url_prefix="/releases", description="what makers published"
)

_JSON_BODY = {"required": True, "content": {"application/json": {"schema": {"type": "object"}}}}


class ReleaseQuerySchema(LimitSchema):
    maker = fields.String()
    after = Cursor(int)


@blueprint.route("")
@blueprint.arguments(ReleaseQuerySchema, location="query")
@blueprint.response(200, ReleasesSchema)
def list_all(query: dict[str, Any]) -> Any:
    """Releases in the order in which they were recorded, one page after another."""
    config = current_site().config
    (after,) = query.get("after", (0,))
    count = min(query.get("limit", config.page_rows), config.most_page_rows)
    found, last = service.list_releases(
        current_site(), maker=query.get("maker"), after=after, count=count
    )
    return {"releases": found}, next_link(last) if last else {}


@blueprint.route("", methods=["POST"])
@blueprint.doc(requestBody=_JSON_BODY)
@blueprint.alt_response(200, schema=TallySchema, description="It was known.", success=True)
@blueprint.response(201, TallySchema)
def add() -> tuple[service.Tally, int]:
    """Record one release; one that is known is changed to what is said now."""
    site = current_site()
    data = read_body(site.config.report_body_bytes).data
    tally = service.record_release(site, current_who(), data)
    return tally, 201 if tally.added else 200


@blueprint.route("/import", methods=["POST"])
@blueprint.doc(requestBody=_JSON_BODY)
@blueprint.response(200, ImportedSchema)
def import_document() -> service.Imported:
    """Record a document `{"releases": [...], "reviews": [...]}`: all of it, or nothing.

    Every bad row is named. Importing twice changes nothing.
    """
    site = current_site()
    data = read_body(site.config.import_body_bytes).data
    return service.import_document(site, current_who(), data)
