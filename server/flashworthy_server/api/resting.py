"""What asks for attention, and rests until a day."""

from typing import Any

from flask import Response
from marshmallow import Schema, fields

from flashworthy_common.attention import Acknowledgement, AttentionCode
from flashworthy_server.answers import AcknowledgementSchema
from flashworthy_server.api.bodies import Blueprint
from flashworthy_server.services import resting as service
from flashworthy_server.web.context import current_site, current_who

blueprint = Blueprint(
    "resting", __name__, url_prefix="/machines", description="attention that rests"
)


class CodeSchema(Schema):
    code = fields.Enum(AttentionCode, by_value=True, required=True)


class RestSchema(CodeSchema):
    reason = fields.String(required=True)
    until = fields.Date(required=True, metadata={"description": "the last day, UTC"})


@blueprint.route("/<int:machine_id>/attention/rest", methods=["POST"])
@blueprint.arguments(RestSchema)
@blueprint.response(200, AcknowledgementSchema)
def let_rest(data: dict[str, Any], machine_id: int) -> Acknowledgement:
    """Let something rest until a day: it is neither counted nor listed under its code."""
    code = data.pop("code")
    return service.let_rest(current_site(), current_who(), machine_id, code, **data)


@blueprint.route("/<int:machine_id>/attention/ask-again", methods=["POST"])
@blueprint.arguments(CodeSchema)
@blueprint.response(204)
def ask_again(data: dict[str, Any], machine_id: int) -> Response:
    """Let it ask for attention again at once."""
    service.ask_again(current_site(), current_who(), machine_id, data["code"])
    return Response(status=204)
