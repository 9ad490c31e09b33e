"""Machines without an agent, by a person's word."""

from typing import Any

from marshmallow import Schema, fields, post_load, validate

from flashworthy_common.chassis import Kind
from flashworthy_common.entered import Entry
from flashworthy_server.answers import ReceiptSchema
from flashworthy_server.api.bodies import Blueprint
from flashworthy_server.services.entry import enter_machine
from flashworthy_server.services.ingest import Receipt
from flashworthy_server.web.context import current_site, current_who

LONGEST_TEXT = 200  # characters

blueprint = Blueprint(
    "entries", __name__, url_prefix="/machines", description="machines without an agent"
)


def _text(*, required: bool = False) -> fields.String:
    return fields.String(required=required, validate=validate.Length(1, LONGEST_TEXT))


class EntryBodySchema(Schema):
    """What a person read off a machine; what they do not say is unknown."""

    name = _text(required=True)
    maker = _text(required=True)
    product = _text(required=True)
    version_text = _text()
    date_text = _text()
    kind = fields.Enum(Kind, by_value=True)
    board = _text()
    sku = _text()
    system_serial = _text()
    place = _text()
    mains = fields.Boolean()
    has_battery = fields.Boolean()
    battery_percent = fields.Float(validate=validate.Range(0, 100))

    @post_load
    def to_entry(self, data: dict[str, Any], **kwargs: Any) -> Entry:
        return Entry(**data)


@blueprint.route("", methods=["POST"])
@blueprint.arguments(EntryBodySchema)
@blueprint.response(201, ReceiptSchema)
def enter(entry: Entry) -> Receipt:
    """Enter a machine, or say anew what stands under its name."""
    return enter_machine(current_site(), current_who(), entry)
