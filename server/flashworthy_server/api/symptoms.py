"""Symptoms of one machine, by a person's word."""

from typing import Any

from flask import Response
from marshmallow import Schema, fields, validate

from flashworthy_server.answers import SymptomSchema, SymptomsSchema
from flashworthy_server.api.bodies import Blueprint
from flashworthy_server.services import symptoms as service
from flashworthy_server.web.context import current_site, current_who

blueprint = Blueprint(
    "symptoms", __name__, url_prefix="/machines", description="what a machine shows"
)


class SaysSchema(Schema):
    says = fields.String(required=True, validate=validate.Length(1, 2000))


@blueprint.route("/<int:machine_id>/symptoms")
@blueprint.response(200, SymptomsSchema)
def list_all(machine_id: int) -> dict[str, Any]:
    """What a machine shows or showed, newest first."""
    return {"symptoms": service.symptoms_of(current_site(), machine_id)}


@blueprint.route("/<int:machine_id>/symptoms", methods=["POST"])
@blueprint.arguments(SaysSchema)
@blueprint.response(201, SymptomSchema)
def add(data: dict[str, Any], machine_id: int) -> service.StoredSymptom:
    """Record what a machine shows; a release that mends it becomes a reason."""
    return service.add_symptom(current_site(), current_who(), machine_id, data["says"])


@blueprint.route("/<int:machine_id>/symptoms/<int:symptom_id>/end", methods=["POST"])
@blueprint.response(204)
def end(machine_id: int, symptom_id: int) -> Response:
    """Say that a machine no longer shows it."""
    service.end_symptom(current_site(), current_who(), machine_id, symptom_id)
    return Response(status=204)
