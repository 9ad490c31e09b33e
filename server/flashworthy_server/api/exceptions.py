"""Exceptions: the site decides otherwise, until a date."""

from typing import Any

from marshmallow import Schema, fields, validate

from flashworthy_server.answers import ExceptionSchema, ExceptionsSchema
from flashworthy_server.api.bodies import Blueprint, read_body
from flashworthy_server.api.pages import Cursor, next_link
from flashworthy_server.api.queries import LONGEST_FILTER, LimitSchema, page_count
from flashworthy_server.api.releases import OBJECT_BODY
from flashworthy_server.services import exceptions as service
from flashworthy_server.web.context import current_site, current_who

blueprint = Blueprint(
    "exceptions", __name__, url_prefix="/exceptions", description="decided otherwise by the site"
)


class ExceptionQuerySchema(LimitSchema):
    in_force = fields.Boolean(load_default=False)
    after = Cursor(int)


class EndSchema(Schema):
    reason = fields.String(required=True, validate=validate.Length(1, LONGEST_FILTER))


@blueprint.route("")
@blueprint.arguments(ExceptionQuerySchema, location="query")
@blueprint.response(200, ExceptionsSchema)
def list_all(query: dict[str, Any]) -> Any:
    """Exceptions, newest first, one page after another."""
    (before,) = query.get("after", (None,))
    found, last = service.list_exceptions(
        current_site(),
        only_in_force=query["in_force"],
        before=before,
        count=page_count(query),
    )
    return {"exceptions": found}, next_link(last) if last else {}


@blueprint.route("", methods=["POST"])
@blueprint.doc(requestBody=OBJECT_BODY)
@blueprint.response(201, ExceptionSchema)
def add() -> service.StoredException:
    """Make an exception.

    `kind` is `not-this-release` (with `version_text`) or `risk-accepted` (with `advisories` or
    `version_text`); `machine_maker`, `models`, `reason`, `owner`, `until`; and `machine_ids` where
    it is for single machines.
    """
    site = current_site()
    data = read_body(site.config.report_body_bytes).data
    return service.add_exception(site, current_who(), data)


@blueprint.route("/<int:exception_id>/end", methods=["POST"])
@blueprint.arguments(EndSchema)
@blueprint.response(200, ExceptionSchema)
def end(data: dict[str, Any], exception_id: int) -> service.StoredException:
    """End an exception before its day."""
    return service.end_exception(current_site(), current_who(), exception_id, data["reason"])
