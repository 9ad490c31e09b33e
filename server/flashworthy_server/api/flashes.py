"""Flashes of one machine: started by a person, closed by the machine's own report."""

from typing import Any

from marshmallow import Schema

from flashworthy_server.answers import FlashesSchema, FlashSchema
from flashworthy_server.api.bodies import Blueprint
from flashworthy_server.api.queries import ReasonSchema, text_filter
from flashworthy_server.services import flashes as service
from flashworthy_server.web.context import current_site, current_who

blueprint = Blueprint(
    "flashes", __name__, url_prefix="/machines", description="flashes and what came of them"
)


class StartSchema(Schema):
    to_text = text_filter()


@blueprint.route("/<int:machine_id>/flashes")
@blueprint.response(200, FlashesSchema)
def list_all(machine_id: int) -> dict[str, Any]:
    """The flashes of a machine, newest first."""
    return {"flashes": service.flashes_of(current_site(), machine_id)}


@blueprint.route("/<int:machine_id>/flashes", methods=["POST"])
@blueprint.arguments(StartSchema)
@blueprint.response(201, FlashSchema)
def start(data: dict[str, Any], machine_id: int) -> service.StoredFlash:
    """Record that a flash is started now: to `to_text`, or else the next step of the path."""
    return service.start_flash(current_site(), current_who(), machine_id, data.get("to_text"))


@blueprint.route("/<int:machine_id>/flashes/done", methods=["POST"])
@blueprint.response(200, FlashSchema)
def done(machine_id: int) -> service.StoredFlash:
    """Record that a person says it is done; the machine's own report closes it."""
    return service.note_done(current_site(), current_who(), machine_id)


@blueprint.route("/<int:machine_id>/flashes/give-up", methods=["POST"])
@blueprint.arguments(ReasonSchema)
@blueprint.response(200, FlashSchema)
def give_up(data: dict[str, Any], machine_id: int) -> service.StoredFlash:
    """Record that the flash that was started could not be done, and why."""
    return service.give_up(current_site(), current_who(), machine_id, data["reason"])
