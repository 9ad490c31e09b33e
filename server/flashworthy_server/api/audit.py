"""The audit trail, for programs that keep a copy of it elsewhere."""

from typing import Any

from flask import Response, request

from flashworthy_server.answers import EntriesSchema
from flashworthy_server.api.bodies import Blueprint
from flashworthy_server.api.pages import Cursor, next_link
from flashworthy_server.api.queries import LimitSchema
from flashworthy_server.services import audit as service
from flashworthy_server.services.audit import JSON_LINES, Filters
from flashworthy_server.web.context import current_site

blueprint = Blueprint(
    "audit", __name__, url_prefix="/audit", description="who changed what, when, from where"
)


class EntryQuerySchema(LimitSchema):
    after = Cursor(int)


@blueprint.route("")
@blueprint.arguments(EntryQuerySchema, location="query")
@blueprint.response(200, EntriesSchema)
@blueprint.alt_response(
    200, schema={"type": "string"}, content_type=JSON_LINES, description="All of it.", success=True
)
def list_entries(query: dict[str, Any]) -> Any:
    """Entries, newest first, one page after another.

    With `Accept: application/jsonl` all of them at once, oldest first, one to a line.
    """
    site = current_site()
    if request.accept_mimetypes.best_match(["application/json", JSON_LINES]) == JSON_LINES:
        return Response(service.json_lines(site), content_type=JSON_LINES)
    (before,) = query.get("after", (None,))
    count = min(query.get("limit", site.config.page_rows), site.config.most_page_rows)
    found, last = service.newest_entries(site, Filters(), before=before, count=count)
    told = {"entries": [service.told_of(entry) for entry in found]}
    return told, next_link(last) if last else {}
