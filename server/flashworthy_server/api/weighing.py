"""What reasons are weighed by: the site's inputs, advisories, known exploited holes."""

from typing import Any

from marshmallow import Schema, fields

from flashworthy_server.answers import (
    AdvisoriesSchema,
    CatalogueSchema,
    InputsSchema,
    TallySchema,
)
from flashworthy_server.api.bodies import Blueprint, read_body
from flashworthy_server.api.pages import Cursor, next_link
from flashworthy_server.api.queries import LimitSchema, page_count
from flashworthy_server.api.releases import OBJECT_BODY, ImportQuerySchema
from flashworthy_server.services import weighing as service
from flashworthy_server.services.releases import Tally
from flashworthy_server.web.context import current_site, current_who

blueprint = Blueprint(
    "weighing", __name__, url_prefix="/weighing", description="how reasons get their priority"
)


class AdvisoryQuerySchema(LimitSchema):
    after = Cursor(str)


class RecordedSchema(Schema):
    catalogue = fields.Nested(CatalogueSchema, allow_none=True)


@blueprint.route("")
@blueprint.response(200, InputsSchema)
def show() -> dict[str, Any]:
    """The site's inputs, each with its default and where that comes from."""
    return {"inputs": service.inputs_of(current_site())}


@blueprint.route("", methods=["PATCH"])
@blueprint.doc(requestBody=OBJECT_BODY)
@blueprint.response(200, InputsSchema)
def change() -> dict[str, Any]:
    """Set some inputs by name; the others stay."""
    site = current_site()
    data = read_body(site.config.report_body_bytes).data
    return {"inputs": service.set_inputs(site, current_who(), data)}


@blueprint.route("/advisories")
@blueprint.arguments(AdvisoryQuerySchema, location="query")
@blueprint.response(200, AdvisoriesSchema)
def list_advisories(query: dict[str, Any]) -> Any:
    """Advisories in the order of their ids, one page after another."""
    (after,) = query.get("after", ("",))
    found, last = service.list_advisories(current_site(), after=after, count=page_count(query))
    return {"advisories": found}, next_link(last) if last else {}


@blueprint.route("/advisories", methods=["POST"])
@blueprint.doc(requestBody=OBJECT_BODY)
@blueprint.alt_response(200, schema=TallySchema, description="It was known.", success=True)
@blueprint.response(201, TallySchema)
def record_advisory() -> tuple[Tally, int]:
    """Record what is known of one advisory: `id`, and `exploitation`, `automatable`,
    `cvss_vector`, `source` where its source states them.
    """
    site = current_site()
    data = read_body(site.config.report_body_bytes).data
    tally = service.record_advisory(site, current_who(), data)
    return tally, 201 if tally.added else 200


@blueprint.route("/exploited")
@blueprint.response(200, RecordedSchema)
def catalogue() -> dict[str, Any]:
    """The recorded catalogue of known exploited holes."""
    return {"catalogue": service.catalogue_of(current_site())}


@blueprint.route("/exploited", methods=["POST"])
@blueprint.doc(requestBody=OBJECT_BODY)
@blueprint.arguments(ImportQuerySchema, location="query")
@blueprint.response(200, CatalogueSchema)
def import_exploited(query: dict[str, Any]) -> service.Catalogue:
    """Record a catalogue of known exploited holes (KEV JSON) in place of the one before."""
    site = current_site()
    data = read_body(site.config.import_body_bytes).data
    return service.import_exploited(site, current_who(), data, dry_run=query["dry_run"])
