"""Reviews: a person read a maker's page; and what nobody has read yet."""

from typing import Any

from flashworthy_server.answers import (
    ImportedSchema,
    ReviewsSchema,
    WorklistSchema,
    work_item_answer,
)
from flashworthy_server.api.bodies import Blueprint, read_body
from flashworthy_server.api.pages import Cursor, next_link
from flashworthy_server.api.queries import LimitSchema, page_count, text_filter
from flashworthy_server.api.releases import OBJECT_BODY
from flashworthy_server.services import overview
from flashworthy_server.services import reviews as service
from flashworthy_server.services.releases import Imported
from flashworthy_server.web.context import current_site, current_who

blueprint = Blueprint(
    "reviews", __name__, url_prefix="/reviews", description="who read which maker's page"
)


class ReviewQuerySchema(LimitSchema):
    maker = text_filter()
    after = Cursor(int)


@blueprint.route("")
@blueprint.arguments(ReviewQuerySchema, location="query")
@blueprint.response(200, ReviewsSchema)
def list_all(query: dict[str, Any]) -> Any:
    """Reviews, newest first, one page after another."""
    (before,) = query.get("after", (None,))
    found, last = service.list_reviews(
        current_site(), maker=query.get("maker"), before=before, count=page_count(query)
    )
    return {"reviews": found}, next_link(last) if last else {}


@blueprint.route("", methods=["POST"])
@blueprint.doc(requestBody=OBJECT_BODY)
@blueprint.response(200, ImportedSchema)
def record() -> Imported:
    """Record one look at a maker's page.

    `machine_maker`, `models`, `source` (the page), `newest_version_text` (empty: none is on offer),
    and where they are known `released_on`, `reason` (as in a release), `reviewed_at`,
    `reviewed_by`. A version that is not recorded yet becomes a release.
    """
    site = current_site()
    return service.record_reading(
        site, current_who(), read_body(site.config.report_body_bytes).data
    )


@blueprint.route("/worklist")
@blueprint.arguments(LimitSchema, location="query")
@blueprint.response(200, WorklistSchema)
def worklist(query: dict[str, Any]) -> dict[str, Any]:
    """Combinations that somebody must look at, most machines first."""
    items = overview.worklist(current_site(), page_count(query))
    return {"worklist": [work_item_answer(item) for item in items]}
