"""Machines: lists, one machine, its history, its verdict."""

from dataclasses import fields as fields_of
from typing import Any

from flask import Response, request
from marshmallow import Schema, fields, validate

from flashworthy_common.attention import AttentionCode
from flashworthy_common.need import Standing
from flashworthy_common.present import verdict_to_json
from flashworthy_common.readiness import Moment, Outcome
from flashworthy_common.reasons import Priority
from flashworthy_server.answers import (
    HistorySchema,
    MachineSchema,
    MachinesSchema,
    VerdictSchema,
    judging_answer,
)
from flashworthy_server.api.bodies import Blueprint
from flashworthy_server.api.pages import Cursor, next_link
from flashworthy_server.api.queries import (
    LONGEST_FILTER,
    LimitSchema,
    one_of,
    page_count,
    text_filter,
)
from flashworthy_server.services import machines as service
from flashworthy_server.services.machines import Filters
from flashworthy_server.spreadsheets import CSV_TYPE, csv_of_machines, json_of_machines
from flashworthy_server.web.access import require_own
from flashworthy_server.web.context import current_site, current_who

blueprint = Blueprint(
    "machines", __name__, url_prefix="/machines", description="what the machines are now"
)


class FilterSchema(LimitSchema):
    outcome = one_of(Outcome)
    standing = one_of(Standing)
    priority = one_of(Priority)
    attention = one_of(AttentionCode)
    place = text_filter()
    maker = text_filter()
    model = text_filter()
    firmware_before = fields.Date(
        metadata={"description": "older than this day, by the date that the firmware states"}
    )
    text = text_filter()
    out_of_service = fields.Boolean(metadata={"description": "those, instead of those in service"})
    all = fields.Boolean(metadata={"description": "all that match, and not one page"})
    after = Cursor(str, int)


_FILTERS = frozenset(each.name for each in fields_of(Filters))


class HistoryQuerySchema(LimitSchema):
    after = Cursor(int)


class MomentSchema(Schema):
    moment = fields.Enum(Moment, by_value=True, load_default=Moment.DESK)


class MarkSchema(Schema):
    marked = fields.String(
        required=True,
        allow_none=True,
        validate=validate.Length(1, LONGEST_FILTER),
        metadata={"description": "the machine's life-safety duty; null: it has none"},
    )


@blueprint.route("")
@blueprint.arguments(FilterSchema, location="query")
@blueprint.response(200, MachinesSchema)
@blueprint.alt_response(
    200, schema={"type": "string"}, content_type=CSV_TYPE, description="All of them.", success=True
)
def list_machines(query: dict[str, Any]) -> Any:
    """Machines in the order of their names, one page after another.

    `place` means a place and all in it; `text` is looked for in name, place, model and version,
    whichever case its letters A to Z have.
    With `all=true` all that match come at once; so they do with `Accept: text/csv`, as CSV.
    """
    site = current_site()
    asked: dict[str, Any] = {name: query[name] for name in _FILTERS if name in query}
    if request.accept_mimetypes.best_match(["application/json", CSV_TYPE]) == CSV_TYPE:
        written = csv_of_machines(site, Filters(**asked))
        return Response(written, content_type=f"{CSV_TYPE}; charset=utf-8")
    if query.get("all"):
        others = {"judging": judging_answer(service.judging(site))}
        written = json_of_machines(site, Filters(**asked), others)
        return Response(written, content_type="application/json")
    page = service.page_of_machines(
        site, Filters(**asked), after=query.get("after"), count=page_count(query)
    )
    answer = {"machines": page.rows, "judging": judging_answer(page.judging)}
    return answer, next_link(*page.after) if page.after else {}


@blueprint.route("/<int:machine_id>")
@blueprint.response(200, MachineSchema)
def one(machine_id: int) -> service.MachineView:
    """Everything that is known of one machine now."""
    return service.view_machine(current_site(), machine_id)


@blueprint.route("/<int:machine_id>", methods=["PATCH"])
@blueprint.arguments(MarkSchema)
@blueprint.response(200, MachineSchema)
def mark(data: dict[str, Any], machine_id: int) -> service.MachineView:
    """Mark a machine as medical, industrial-safety or other life-safety equipment."""
    service.mark(current_site(), current_who(), machine_id, data["marked"])
    return service.view_machine(current_site(), machine_id)


@blueprint.route("/<int:machine_id>/history")
@blueprint.arguments(HistoryQuerySchema, location="query")
@blueprint.response(200, HistorySchema)
def history(query: dict[str, Any], machine_id: int) -> Any:
    """A machine's reports, newest first, and its firmware changes."""
    (before,) = query.get("after", (None,))
    found = service.history_of(current_site(), machine_id, before=before, count=page_count(query))
    return found, next_link(found.before) if found.before else {}


@blueprint.route("/<int:machine_id>/verdict")
@blueprint.arguments(MomentSchema, location="query")
@blueprint.response(200, VerdictSchema)
def verdict(query: dict[str, Any], machine_id: int) -> dict[str, Any]:
    """The verdict of now, from the desk or on the spot; a machine may ask for its own."""
    require_own(machine_id)
    return verdict_to_json(service.verdict_of(current_site(), machine_id, query["moment"]))
