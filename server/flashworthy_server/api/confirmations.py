"""What a person confirms of one machine."""

from typing import Any

from flask import Response
from marshmallow import Schema, fields

from flashworthy_common.confirmations import Confirmed
from flashworthy_server.answers import ConfirmationSchema, ConfirmationsSchema
from flashworthy_server.api.bodies import Blueprint
from flashworthy_server.api.queries import text_filter
from flashworthy_server.services import confirmations as service
from flashworthy_server.web.context import current_site, current_who

blueprint = Blueprint(
    "confirmations", __name__, url_prefix="/machines", description="what no agent can see"
)


class ConfirmSchema(Schema):
    what = fields.Enum(Confirmed, by_value=True, required=True)
    of = text_filter()


@blueprint.route("/<int:machine_id>/confirmations")
@blueprint.response(200, ConfirmationsSchema)
def list_all(machine_id: int) -> dict[str, Any]:
    """What was ever confirmed of a machine, newest first."""
    return {"confirmations": service.confirmations_of(current_site(), machine_id)}


@blueprint.route("/<int:machine_id>/confirmations", methods=["POST"])
@blueprint.arguments(ConfirmSchema)
@blueprint.response(201, ConfirmationSchema)
def add(data: dict[str, Any], machine_id: int) -> service.StoredConfirmation:
    """Confirm something of a machine as it is now; `of` where there are several such things."""
    return service.confirm(current_site(), current_who(), machine_id, data["what"], data.get("of"))


@blueprint.route("/<int:machine_id>/confirmations/<int:confirmation_id>/withdraw", methods=["POST"])
@blueprint.response(204)
def withdraw(machine_id: int, confirmation_id: int) -> Response:
    """Take a word back."""
    service.withdraw(current_site(), current_who(), machine_id, confirmation_id)
    return Response(status=204)
