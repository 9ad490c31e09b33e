"""Visits: planned, worked and ended; as a calendar; a month of them."""

import uuid
from typing import Any

from flask import Response
from marshmallow import Schema, fields, validate

from flashworthy_common.confirmations import Confirmed
from flashworthy_server.api.bodies import Blueprint
from flashworthy_server.api.pages import Cursor, next_link
from flashworthy_server.api.queries import (
    LONGEST_FILTER,
    LimitSchema,
    ReasonSchema,
    page_count,
    text_filter,
)
from flashworthy_server.calendar_file import CONTENT_TYPE
from flashworthy_server.errors import InvalidInputError
from flashworthy_server.services import records, visit_calendars, visit_plans, visit_work
from flashworthy_server.services import visits as service
from flashworthy_server.services.machines import HIGHEST_ID
from flashworthy_server.services.visit_plans import LONGEST_KEY, LONGEST_REMARK, Wanted
from flashworthy_server.services.visits import Filters, Noted, VisitView
from flashworthy_server.visit_answers import (
    MonthSchema,
    VisitPlanSchema,
    VisitSchema,
    VisitsSchema,
)
from flashworthy_server.web.context import current_site, current_who

blueprint = Blueprint("visits", __name__, url_prefix="/visits", description="planned stops")

_NUMBER = validate.Range(1, HIGHEST_ID)
_NOTES = (Noted.STARTED, Noted.DONE, Noted.COULD_NOT, Noted.CONFIRMED)


class _Keyed(Schema):
    key = fields.String(
        validate=validate.Length(1, LONGEST_KEY),
        metadata={"description": "of your choice: sent again, nothing is done twice"},
    )


class PlannedSchema(_Keyed):
    machines = fields.List(fields.Integer(validate=_NUMBER), required=True)
    begins_at = fields.AwareDateTime(format="iso", required=True)
    ends_at = fields.AwareDateTime(format="iso", required=True)
    technician = fields.String(required=True, validate=validate.Length(1, LONGEST_FILTER))
    remark = fields.String(load_default="", validate=validate.Length(0, LONGEST_REMARK))


class VisitQuerySchema(LimitSchema):
    open = fields.Boolean(metadata={"description": "true: those that have not ended"})
    technician = text_filter()
    after = Cursor(str, int)


class NoteSchema(_Keyed):
    what = fields.String(required=True, validate=validate.OneOf([each.value for each in _NOTES]))
    to_text = text_filter()
    reason = fields.String(metadata={"description": "why it could not be done"})
    confirms = fields.Enum(Confirmed, by_value=True)


class MonthQuerySchema(Schema):
    month = fields.String(required=True, metadata={"description": "at the site, such as 2026-05"})


@blueprint.route("")
@blueprint.arguments(VisitQuerySchema, location="query")
@blueprint.response(200, VisitsSchema)
def list_all(query: dict[str, Any]) -> Any:
    """Visits by their begin, one page after another, each as it stands now."""
    site, count = current_site(), page_count(query)
    technician = query.get("technician")
    filters = Filters(
        is_open=query.get("open"),
        technician_id=visit_plans.technician_named(site, technician) if technician else None,
    )
    found = service.list_visits(site, filters, after=_after(query), count=count + 1)
    shown = found[:count]
    more = len(found) > count
    last = shown[-1].visit if more else None
    link = next_link(last.begins_at.isoformat(), last.id) if last else {}
    return {"visits": shown}, link


@blueprint.route("", methods=["POST"])
@blueprint.arguments(PlannedSchema)
@blueprint.response(201, VisitSchema)
def plan(data: dict[str, Any]) -> VisitView:
    """Plan a visit; with a key that was sent before, it is the one that was planned then."""
    site = current_site()
    visit_id = visit_plans.plan_visit(site, current_who(), _wanted(data), _key(data))
    return service.view_visit(site, visit_id)


@blueprint.route("/preview", methods=["POST"])
@blueprint.arguments(PlannedSchema)
@blueprint.response(200, VisitPlanSchema)
def preview(data: dict[str, Any]) -> visit_plans.VisitPlan:
    """What such a visit would take, as it will probably be; nothing is kept."""
    return visit_plans.preview(current_site(), _wanted(data))


@blueprint.route("/month")
@blueprint.arguments(MonthQuerySchema, location="query")
@blueprint.response(200, MonthSchema)
def month(query: dict[str, Any]) -> records.Month:
    """A month of visits: minutes planned and taken, what came of the machines, why not."""
    return records.month_of_visits(current_site(), query["month"])


@blueprint.route("/<int:visit_id>")
@blueprint.response(200, VisitSchema)
def one(visit_id: int) -> VisitView:
    """A visit as it stands now."""
    return service.view_visit(current_site(), visit_id)


@blueprint.route("/<int:visit_id>", methods=["PUT"])
@blueprint.arguments(PlannedSchema)
@blueprint.response(200, VisitSchema)
def change(data: dict[str, Any], visit_id: int) -> VisitView:
    """Another window, technician, remark or choice of machines."""
    return visit_plans.change_visit(current_site(), current_who(), visit_id, _wanted(data))


@blueprint.route("/<int:visit_id>/machines/<int:machine_id>/notes", methods=["POST"])
@blueprint.arguments(NoteSchema)
@blueprint.response(200, VisitSchema)
def note(data: dict[str, Any], visit_id: int, machine_id: int) -> VisitView:
    """Note what is done on the spot: started, done, could not and why, or a confirmation."""
    about = (current_site(), current_who(), visit_id, machine_id, _key(data))
    what = Noted(data["what"])
    if what is Noted.STARTED:
        visit_work.note_started(*about, data.get("to_text"))
    elif what is Noted.DONE:
        visit_work.note_done(*about)
    elif what is Noted.COULD_NOT:
        visit_work.note_could_not(*about, data.get("reason", ""))
    else:
        visit_work.confirm(*about, _confirmed(data))
    return service.view_visit(current_site(), visit_id)


@blueprint.route("/<int:visit_id>/end", methods=["POST"])
@blueprint.arguments(ReasonSchema)
@blueprint.response(200, VisitSchema)
def end(data: dict[str, Any], visit_id: int) -> VisitView:
    """End a visit by hand; what is not decided then is told in the audit trail."""
    return service.end_visit(current_site(), current_who(), visit_id, data["reason"])


@blueprint.route("/<int:visit_id>/call-off", methods=["POST"])
@blueprint.arguments(ReasonSchema)
@blueprint.response(200, VisitSchema)
def call_off(data: dict[str, Any], visit_id: int) -> VisitView:
    """It does not take place."""
    return service.call_off(current_site(), current_who(), visit_id, data["reason"])


@blueprint.route("/<int:visit_id>/carry-over", methods=["POST"])
@blueprint.arguments(_Keyed)
@blueprint.response(200, VisitSchema)
def carry_over(data: dict[str, Any], visit_id: int) -> VisitView:
    """Take what is left over into the next visit to the same place; the answer is that one."""
    following = visit_plans.carry_over(current_site(), current_who(), visit_id, _key(data))
    return service.view_visit(current_site(), following)


@blueprint.route("/<int:visit_id>/calendar")
@blueprint.response(200, {"type": "string"}, content_type=CONTENT_TYPE)
def calendar(visit_id: int) -> Response:
    """A visit as an iCalendar file (RFC 5545)."""
    public_url = current_site().config.public_url.rstrip("/")
    pages = f"{public_url}/visits" if public_url else ""
    found = visit_calendars.file_of(current_site(), visit_id, pages)
    return Response(found, content_type=f"{CONTENT_TYPE}; charset=utf-8")


def _wanted(data: dict[str, Any]) -> Wanted:
    return Wanted(
        machine_ids=tuple(data["machines"]),
        begins_at=data["begins_at"],
        ends_at=data["ends_at"],
        technician_id=visit_plans.technician_named(current_site(), data["technician"]),
        remark=data["remark"],
    )


def _confirmed(data: dict[str, Any]) -> Confirmed:
    if "confirms" not in data:
        raise InvalidInputError("confirms", "confirms: expected what is confirmed")
    found: Confirmed = data["confirms"]
    return found


def _key(data: dict[str, Any]) -> str:
    return data.get("key") or str(uuid.uuid4())


def _after(query: dict[str, Any]) -> Any:
    """Begin and id of the last visit that was shown."""
    if "after" not in query:
        return None
    begins_at, visit_id = query["after"]
    return service.time_of_cursor(begins_at), visit_id
