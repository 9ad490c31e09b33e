"""Visits: the list, planning one, one as it stands, its sheet, and what people are told of it.

A plan is asked for by GET: every choice stands in the address, and nothing is kept until the form
below it is sent. Each form carries a key of its own, so that sending it twice does nothing twice.
"""

import io
from datetime import datetime
from typing import Any

import segno
from flask import Response, g, render_template, request, url_for

from flashworthy_common.present import sentence, verdict_parts
from flashworthy_common.readiness import Outcome
from flashworthy_common.reasons import Priority
from flashworthy_common.visits.lists import PlannedMachine
from flashworthy_server.calendar_file import CONTENT_TYPE
from flashworthy_server.errors import ConflictError, InvalidInputError
from flashworthy_server.local_time import days_later, month_of, parse_local, typed_form
from flashworthy_server.pages.blueprint import blueprint
from flashworthy_server.pages.forms import or_back_to, text, to_page
from flashworthy_server.services import machines as machine_service
from flashworthy_server.services import (
    records,
    visit_calendars,
    visit_messages,
    visit_plans,
)
from flashworthy_server.services import visits as service
from flashworthy_server.services.machines import HIGHEST_ID
from flashworthy_server.services.visit_plans import MOST_MACHINES, Wanted
from flashworthy_server.services.visits import Filters
from flashworthy_server.web.context import current_site, current_who

_MOST_OPEN = 200  # visits of the list
_LONGEST_FILTER = 200  # characters
_FOUND = ("place", "outcome", "priority")  # by which machines are looked for
_CHOICES = {
    "outcome": [each.value for each in Outcome],
    "priority": [each.value for each in Priority],
}


@blueprint.get("/visits")
def visits(calendar: str = "") -> str:
    site = current_site()
    now, zone_name = site.clock(), site.config.time_zone
    found = service.list_visits(site, Filters(is_open=True), count=_MOST_OPEN)
    return render_template(
        "pages/visits.html",
        found=found,
        calendar=calendar,
        has_calendar=visit_calendars.has_calendar(site, current_who()),
        month=month_of(now, zone_name),
        months=_months(),
    )


@blueprint.get("/visits/month/<month>")
def visits_month(month: str) -> str:
    found = records.month_of_visits(current_site(), month)
    return render_template("pages/visits_month.html", found=found, month=month, months=_months())


@blueprint.get("/visits/new")
def new_visit() -> str:
    """The form of a plan, and what it would take once all is chosen."""
    site, said = current_site(), _said()
    plan, fault = None, ""
    if said["machines"] and said["begins"] and said["ends"] and said["technician"]:
        try:
            plan = visit_plans.preview(site, _wanted(said))
        except (InvalidInputError, ConflictError) as error:
            fault = str(error)
    names = machine_service.names_of(site, said["machines"])
    return render_template(
        "pages/visit_new.html",
        said=said,
        plan=plan,
        fault=fault if "faults" not in g else "",
        chosen=[(number, names[number]) for number in said["machines"] if number in names],
        found=[row for row in _machines_found() if row.machine.id not in said["machines"]],
        choices=_CHOICES,
        technicians=[(str(each.id), each.name) for each in visit_plans.technicians(site)],
    )


@blueprint.post("/visits/new")
@or_back_to(new_visit)
def plan_visit() -> Response:
    visit_id = visit_plans.plan_visit(
        current_site(), current_who(), _wanted(_said()), text("sent_key")
    )
    return to_page("visit", visit_id=visit_id)


@blueprint.get("/visits/<int:visit_id>")
def visit(visit_id: int) -> str:
    site = current_site()
    view = service.view_visit(site, visit_id)
    _, plan = visit_plans.plan_of_visit(site, visit_id)
    is_open = view.visit.ended_at is None
    return render_template(
        "pages/visit.html",
        view=view,
        plan=plan if is_open else None,
        is_open=is_open,
        message=visit_messages.message_of(site, view, plan),
        sends_mail=bool(site.config.mail_server),
        zone=site.config.time_zone,
        typed_form=lambda time: typed_form(time, site.config.time_zone),
        technicians=[(str(each.id), each.name) for each in visit_plans.technicians(site)],
    )


@blueprint.post("/visits/<int:visit_id>/window")
@or_back_to(visit)
def change_visit(visit_id: int) -> Response:
    """Another window, technician or remark; only machines that stay ticked stay."""
    visit_plans.change_visit(current_site(), current_who(), visit_id, _wanted(_said()))
    return to_page("visit", visit_id=visit_id)


@blueprint.post("/visits/<int:visit_id>/end")
@or_back_to(visit)
def end_visit(visit_id: int) -> Response:
    service.end_visit(current_site(), current_who(), visit_id, text("reason"))
    return to_page("visit", visit_id=visit_id)


@blueprint.post("/visits/<int:visit_id>/call-off")
@or_back_to(visit)
def call_off_visit(visit_id: int) -> Response:
    service.call_off(current_site(), current_who(), visit_id, text("reason"))
    return to_page("visit", visit_id=visit_id)


@blueprint.post("/visits/<int:visit_id>/carry-over")
@or_back_to(visit)
def carry_over(visit_id: int) -> Response:
    following = visit_plans.carry_over(current_site(), current_who(), visit_id, text("sent_key"))
    return to_page("visit", visit_id=following)


@blueprint.post("/visits/<int:visit_id>/tell")
@or_back_to(visit)
def tell(visit_id: int) -> Response:
    visit_messages.send_message(
        current_site(), current_who(), visit_id, text("sent_key"), text("recipients"), text("text")
    )
    return to_page("visit", visit_id=visit_id)


# ---- on paper ---------------------------------------------------------------------------------


@blueprint.get("/visits/<int:visit_id>/sheet")
def visit_sheet(visit_id: int) -> str:
    """One page for the visit, one for each machine that is not decided yet."""
    site = current_site()
    view, plan = visit_plans.plan_of_visit(site, visit_id)
    now = site.clock()
    return render_template(
        "pages/visit_sheet.html",
        view=view,
        plan=plan,
        begins={slot.machine_id: slot.begins for slot in reversed(plan.schedule.slots)},
        told=[_told(each, now) for each in plan.machines],
        taken_at=now,
    )


@blueprint.get("/machines/<int:machine_id>/code.svg")
def machine_code(machine_id: int) -> Response:
    """A QR code that leads to a machine's page (ISO/IEC 18004)."""
    site = current_site()
    base = site.config.public_url.rstrip("/") or request.host_url.rstrip("/")
    code = segno.make(f"{base}{url_for('pages.machine', machine_id=machine_id)}", micro=False)
    picture = io.BytesIO()
    code.save(picture, kind="svg", scale=4, border=4)
    return Response(picture.getvalue(), content_type="image/svg+xml")


# ---- calendars --------------------------------------------------------------------------------


@blueprint.get("/visits/<int:visit_id>/visit.ics")
def visit_calendar(visit_id: int) -> Response:
    found = visit_calendars.file_of(current_site(), visit_id, _pages())
    return _calendar(found, f"visit-{visit_id}.ics")


@blueprint.post("/visits/calendar")
def make_calendar() -> str:
    secret = visit_calendars.make_calendar(current_site(), current_who())
    base = current_site().config.public_url.rstrip("/") or request.host_url.rstrip("/")
    return visits(calendar=f"{base}{url_for('pages.calendar_feed', secret=secret)}")


@blueprint.post("/visits/calendar/end")
def end_calendar() -> Response:
    visit_calendars.end_calendar(current_site(), current_who())
    return to_page("visits")


@blueprint.get("/calendar/<secret>")
def calendar_feed(secret: str) -> Response:
    """For calendar programs, which cannot sign in: the address is the secret."""
    return _calendar(visit_calendars.feed_of(current_site(), secret, _pages()), "visits.ics")


def _calendar(found: bytes, name: str) -> Response:
    answer = Response(found, content_type=f"{CONTENT_TYPE}; charset=utf-8")
    answer.headers["Content-Disposition"] = f'attachment; filename="{name}"'
    return answer


def _pages() -> str:
    public_url = current_site().config.public_url.rstrip("/")
    return f"{public_url}{url_for('pages.visits')}" if public_url else ""


# ---- what was said ----------------------------------------------------------------------------


def _said() -> dict[str, Any]:
    """What the address or the form says of a plan, as it was typed."""
    numbers = [
        int(each)
        for each in request.values.getlist("machine")
        if each.isascii() and each.isdecimal() and 0 < int(each) <= HIGHEST_ID
    ]
    said = {name: request.values.get(name, "").strip() for name in ("begins", "ends", "remark")}
    own = current_who().account_id
    technician = request.values.get("technician", str(own or ""))
    return {"machines": list(dict.fromkeys(numbers)), "technician": technician, **said}


def _wanted(said: dict[str, Any]) -> Wanted:
    zone_name, technician = current_site().config.time_zone, said["technician"]
    is_number = technician.isascii() and technician.isdecimal() and len(technician) < 19
    return Wanted(
        machine_ids=tuple(said["machines"]),
        begins_at=parse_local("begins", said["begins"], zone_name),
        ends_at=parse_local("ends", said["ends"], zone_name),
        technician_id=int(technician) if is_number else 0,
        remark=said["remark"],
    )


def _machines_found() -> list[machine_service.MachineRow]:
    """Machines by place, outcome and priority, to be ticked; none where nothing is asked."""
    asked = {name: request.args.get(name, "").strip()[:_LONGEST_FILTER] for name in _FOUND}
    for name, choices in _CHOICES.items():
        if asked[name] and asked[name] not in choices:
            raise InvalidInputError(name, f"{name}: expected one of {', '.join(choices)}")
    if not any(asked.values()):
        return []
    named: dict[str, Any] = {name: value or None for name, value in asked.items()}
    filters = machine_service.Filters(**named)
    page = machine_service.page_of_machines(
        current_site(), filters, after=None, count=MOST_MACHINES
    )
    return page.rows


def _told(planned: PlannedMachine, now: datetime) -> dict[str, Any]:
    """A machine as its sheet shows it."""
    verdict = planned.verdict
    target = verdict.need.target
    return {
        "planned": planned,
        "sentence": sentence(verdict),
        "parts": verdict_parts(verdict, now=now),
        "steps": verdict.need.steps,
        "recovery": target.recovery if target else "",
        "way_back": verdict.need.way_back.says if verdict.need.way_back else "",
    }


def _months() -> list[str]:
    """This month and the ones before, the newest first."""
    site = current_site()
    now, zone_name = site.clock(), site.config.time_zone
    found = (month_of(days_later(now, -30 * back, zone_name), zone_name) for back in range(12))
    return list(dict.fromkeys(found))
