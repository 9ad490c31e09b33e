"""The site's policy: its limits, per place, with what would follow from other ones."""

from typing import Any

from marshmallow import Schema, fields

from flashworthy_server.answers import PolicyChangesSchema, PolicySchema
from flashworthy_server.api.bodies import Blueprint
from flashworthy_server.api.queries import text_filter
from flashworthy_server.services import policies as service
from flashworthy_server.web.context import current_site, current_who

blueprint = Blueprint("policies", __name__, url_prefix="/policy", description="limits of the site")


class PlaceSchema(Schema):
    place = text_filter()


class LimitsSchema(Schema):
    """All that a place sets otherwise; without a place, the whole site."""

    place = text_filter()
    limits = fields.Dict(keys=fields.String(), required=True)


@blueprint.route("")
@blueprint.arguments(PlaceSchema, location="query")
@blueprint.response(200, PolicySchema)
def show(query: dict[str, Any]) -> service.PolicyView:
    """The limits that hold at a place, or for the site as a whole."""
    return service.view_policy(current_site(), query.get("place"))


@blueprint.route("", methods=["PUT"])
@blueprint.arguments(LimitsSchema)
@blueprint.response(200, PolicySchema)
def set_limits(data: dict[str, Any]) -> service.PolicyView:
    """Let these limits, and no others, be what a place sets otherwise."""
    return service.set_limits(current_site(), current_who(), data.get("place"), data["limits"])


@blueprint.route("/preview", methods=["POST"])
@blueprint.arguments(LimitsSchema)
@blueprint.response(200, PolicyChangesSchema)
def preview(data: dict[str, Any]) -> dict[str, Any]:
    """How many verdicts at the desk would change; nothing is saved."""
    return {"changes": service.preview(current_site(), data.get("place"), data["limits"])}
