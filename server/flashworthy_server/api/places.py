"""Where machines stand: the site's rules and lists, with a preview."""

from typing import Any

from marshmallow import Schema, fields

from flashworthy_server.api.bodies import Blueprint, read_body, read_file
from flashworthy_server.documents import decoded
from flashworthy_server.services import placing as service
from flashworthy_server.visit_answers import PlaceRulesSchema, PlacingSchema
from flashworthy_server.web.context import current_site, current_who

blueprint = Blueprint("places", __name__, url_prefix="/places", description="where machines stand")

_RULES_BODY = {
    "required": True,
    "content": {"application/json": {"schema": {"type": "array", "items": {"type": "object"}}}},
}
_LIST_BODY = {"required": True, "content": {"text/csv": {"schema": {"type": "string"}}}}


class PlacesQuerySchema(Schema):
    dry_run = fields.Boolean(
        load_default=False, metadata={"description": "only say what would change"}
    )


@blueprint.route("/rules")
@blueprint.response(200, PlaceRulesSchema)
def show_rules() -> dict[str, Any]:
    """The rules, in the order in which they are tried."""
    return {"rules": service.rules_of(current_site())}


@blueprint.route("/rules", methods=["PUT"])
@blueprint.arguments(PlacesQuerySchema, location="query")
@blueprint.doc(requestBody=_RULES_BODY)
@blueprint.response(200, PlacingSchema)
def set_rules(query: dict[str, Any]) -> service.Placing:
    """Let these be the rules: each a `place` with `hostname`, `addresses` or both."""
    site = current_site()
    data = read_body(site.config.import_body_bytes).data
    if query["dry_run"]:
        return service.preview_rules(site, data)
    return service.set_rules(site, current_who(), data)


@blueprint.route("/list", methods=["POST"])
@blueprint.arguments(PlacesQuerySchema, location="query")
@blueprint.doc(requestBody=_LIST_BODY)
@blueprint.response(200, PlacingSchema)
def import_list(query: dict[str, Any]) -> service.Placing:
    """Let machines stand where a CSV of hostname and place says."""
    site = current_site()
    text = decoded(read_file(site.config.import_body_bytes))
    if query["dry_run"]:
        return service.preview_list(site, text)
    return service.import_list(site, current_who(), text)
