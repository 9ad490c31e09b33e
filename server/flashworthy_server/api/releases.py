"""Releases: what makers published; one by one, or as files."""

import json
from dataclasses import fields as fields_of
from typing import Any

from flask import Response, jsonify, request
from marshmallow import Schema, fields, validate

from flashworthy_common.releases import ReleaseState
from flashworthy_server import documents
from flashworthy_server.answers import (
    ComparedSchema,
    ImportedSchema,
    ReleaseSchema,
    ReleasesSchema,
    TallySchema,
)
from flashworthy_server.api.bodies import Blueprint, read_body, read_file
from flashworthy_server.api.pages import Cursor, next_link
from flashworthy_server.api.queries import (
    LimitSchema,
    RemovalSchema,
    one_of,
    page_count,
    text_filter,
)
from flashworthy_server.release_schema import document_schema
from flashworthy_server.services import releases as service
from flashworthy_server.services.releases import ReleaseFilters
from flashworthy_server.web.context import current_site, current_who

blueprint = Blueprint(
    "releases", __name__, url_prefix="/releases", description="what makers published"
)

OBJECT_BODY = {"required": True, "content": {"application/json": {"schema": {"type": "object"}}}}
_FILE_BODY = {
    "required": True,
    "content": {
        "application/json": {"schema": {"type": "object"}},
        documents.CSV_TYPE: {"schema": {"type": "string"}},
    },
}


class ReleaseQuerySchema(LimitSchema):
    maker = text_filter()
    state = one_of(ReleaseState)
    advisory = text_filter()
    text = text_filter()
    after = Cursor(int)


class StateSchema(Schema):
    state = fields.Enum(ReleaseState, by_value=True, required=True)
    state_reason = fields.String(load_default="", validate=validate.Length(max=2000))


class ImportQuerySchema(Schema):
    dry_run = fields.Boolean(
        load_default=False, metadata={"description": "only say what would change"}
    )


@blueprint.route("")
@blueprint.arguments(ReleaseQuerySchema, location="query")
@blueprint.response(200, ReleasesSchema)
@blueprint.alt_response(
    200,
    schema={"type": "string"},
    content_type=documents.CSV_TYPE,
    description="All of them.",
    success=True,
)
def list_all(query: dict[str, Any]) -> Any:
    """Releases in the order in which they were recorded, one page after another.

    `text` is looked for in everything that is recorded of them. With `Accept: text/csv` all that
    match come at once, as CSV that can be imported.
    """
    filters = ReleaseFilters(
        **{each.name: query.get(each.name) for each in fields_of(ReleaseFilters)}
    )
    if request.accept_mimetypes.best_match(["application/json", documents.CSV_TYPE]) == (
        documents.CSV_TYPE
    ):
        return _csv(filters)
    (after,) = query.get("after", (0,))
    found, last = service.list_releases(
        current_site(), filters, after=after, count=page_count(query)
    )
    return {"releases": found}, next_link(last) if last else {}


@blueprint.route("", methods=["POST"])
@blueprint.doc(requestBody=OBJECT_BODY)
@blueprint.alt_response(200, schema=TallySchema, description="It was known.", success=True)
@blueprint.response(201, TallySchema)
def add() -> tuple[service.Tally, int]:
    """Record one release; one that is known is changed to what is said now."""
    site = current_site()
    data = read_body(site.config.report_body_bytes).data
    tally = service.record_release(site, current_who(), data)
    return tally, 201 if tally.added else 200


@blueprint.route("/<int:release_id>")
@blueprint.response(200, ReleaseSchema)
def one(release_id: int) -> service.StoredRelease:
    """One release."""
    return service.view_release(current_site(), release_id)


@blueprint.route("/<int:release_id>", methods=["PATCH"])
@blueprint.arguments(StateSchema)
@blueprint.response(200, ReleaseSchema)
def change_state(data: dict[str, Any], release_id: int) -> service.StoredRelease:
    """Say that a release is offered, superseded, or withdrawn with the reason."""
    return service.change_state(
        current_site(), current_who(), release_id, data["state"], data["state_reason"]
    )


@blueprint.route("/<int:release_id>", methods=["DELETE"])
@blueprint.arguments(RemovalSchema, location="query")
@blueprint.response(204)
def remove(query: dict[str, Any], release_id: int) -> Response:
    """Remove a release that should never have been recorded; withdraw what its maker took back.

    What rests on it is told with 409, unless `anyway` says that it is known.
    """
    service.remove_release(current_site(), current_who(), release_id, **query)
    return Response(status=204)


@blueprint.route("/import", methods=["POST"])
@blueprint.doc(requestBody=_FILE_BODY)
@blueprint.arguments(ImportQuerySchema, location="query")
@blueprint.alt_response(200, schema=ComparedSchema, description="In a dry run.", success=True)
@blueprint.response(200, ImportedSchema)
def import_document(query: dict[str, Any]) -> Any:
    """Record a document of releases, reviews and advisories: all of it, or nothing.

    JSON as `schema.json` has it, or CSV. Every fault is named with row, field and line. Importing
    twice changes nothing.
    """
    imported = service.import_document(
        current_site(), current_who(), _document(), dry_run=query["dry_run"]
    )
    return jsonify(ComparedSchema().dump(imported)) if query["dry_run"] else imported


@blueprint.route("/export")
@blueprint.response(200, {"type": "object"})
def export() -> Response:
    """Everything that is recorded, as a document that can be imported."""
    return jsonify(service.export_document(current_site()))


@blueprint.route("/schema.json")
@blueprint.doc(security=[])
@blueprint.response(200, {"type": "object"}, content_type="application/schema+json")
def schema() -> Response:
    """The JSON Schema of a document (draft 2020-12)."""
    return Response(json.dumps(document_schema()), content_type="application/schema+json")


def _document() -> documents.Document:
    limit_bytes = current_site().config.import_body_bytes
    if request.mimetype == documents.CSV_TYPE:
        return documents.read_csv(documents.decoded(read_file(limit_bytes)))
    body = read_body(limit_bytes)
    return documents.document_of(body.data, documents.lines_of_rows(documents.decoded(body.text)))


def _csv(filters: ReleaseFilters) -> Response:
    found = (each.release for each in service.all_releases(current_site(), filters))
    return Response(documents.write_csv(found), content_type=f"{documents.CSV_TYPE}; charset=utf-8")
