"""Machines: the list, one of them with its verdict, and what people say of it."""

from dataclasses import replace
from typing import Any

from flask import Response, render_template, request, url_for

from flashworthy_common.attention import AttentionCode
from flashworthy_common.need import Standing
from flashworthy_common.present import MORE, closing, sentence, verdict_parts
from flashworthy_common.readiness import Moment, Outcome
from flashworthy_common.reasons import Priority
from flashworthy_server.errors import InvalidInputError
from flashworthy_server.pages.blueprint import blueprint
from flashworthy_server.pages.forms import choice, or_back_to, text, to_page
from flashworthy_server.services import credentials
from flashworthy_server.services import machines as service
from flashworthy_server.services.machines import Filters, MachineView
from flashworthy_server.web.context import current_site, current_who

_LONGEST_FILTER = 200  # characters
_CHOICES = {
    "outcome": [each.value for each in Outcome],
    "standing": [each.value for each in Standing],
    "priority": [each.value for each in Priority],
    "attention": [each.value for each in AttentionCode],
}
_TEXTS = ("place", "maker", "model", "text")
_REPORTS_SHOWN = 10
ASKS_A_PERSON = ("identity-in-doubt", "board-replaced")  # to be acknowledged


@blueprint.get("/machines")
def machines() -> str:
    site, asked = current_site(), _asked()
    filters = replace(Filters(**asked), out_of_service="out" in request.args)
    page = service.page_of_machines(site, filters, after=_after(), count=site.config.page_rows)
    return render_template(
        "pages/machines.html", rows=page.rows, asked=asked, choices=_CHOICES, more=_more(page.after)
    )


@blueprint.get("/machines/<int:machine_id>")
def machine(machine_id: int) -> str:
    site, show_all = current_site(), "all" in request.args
    view = service.view_machine(site, machine_id)
    history = service.history_of(site, machine_id, before=None, count=_REPORTS_SHOWN)
    return render_template(
        "pages/machine.html",
        view=view,
        history=history,
        verdict=_verdict(view, show_all),
        show_all=show_all,
        asks_a_person=ASKS_A_PERSON,
        MORE=MORE,
    )


@blueprint.post("/machines/<int:machine_id>/place")
@or_back_to(machine)
def move(machine_id: int) -> Response:
    service.move(current_site(), current_who(), machine_id, text("place")[:_LONGEST_FILTER])
    return to_page("machine", machine_id=machine_id)


@blueprint.post("/machines/<int:machine_id>/mark")
@or_back_to(machine)
def mark(machine_id: int) -> Response:
    duty = " ".join(text("duty").split())[:_LONGEST_FILTER]
    service.mark(current_site(), current_who(), machine_id, duty or None)
    return to_page("machine", machine_id=machine_id)


@blueprint.post("/machines/<int:machine_id>/acknowledge")
@or_back_to(machine)
def acknowledge(machine_id: int) -> Response:
    code = choice("attention", AttentionCode)
    learn = text("learn") == "yes"
    service.acknowledge(
        current_site(), current_who(), machine_id, code, text("reason"), learn=learn
    )
    return to_page("machine", machine_id=machine_id)


@blueprint.post("/machines/<int:machine_id>/out-of-service")
@or_back_to(machine)
def take_out(machine_id: int) -> Response:
    service.take_out_of_service(current_site(), current_who(), machine_id, text("reason"))
    return to_page("machine", machine_id=machine_id)


@blueprint.post("/machines/<int:machine_id>/in-service")
@or_back_to(machine)
def put_back(machine_id: int) -> Response:
    service.put_back(current_site(), current_who(), machine_id, text("reason"))
    return to_page("machine", machine_id=machine_id)


@blueprint.post("/machines/<int:machine_id>/token/revoke")
def revoke_machine_token(machine_id: int) -> Response:
    credentials.revoke_machine_token(current_site(), current_who(), machine_id)
    return to_page("machine", machine_id=machine_id)


def _verdict(view: MachineView, show_all: bool) -> dict[str, Any] | None:
    """The verdict of now as the page shows it; none before the first report."""
    site, known = current_site(), view.machine
    if known.newest is None:
        return None
    verdict = service.verdict_of(site, known.id, Moment.DESK)
    return {
        "outcome": verdict.outcome.value,
        "sentence": sentence(verdict),
        "parts": verdict_parts(verdict, now=site.clock(), show_all=show_all),
        "closing": closing(verdict),
        "holds_until": verdict.holds_until,
    }


def _asked() -> dict[str, Any]:
    """The filters of the address, as far as they are known."""
    given = {name: request.args.get(name, "").strip() for name in (*_CHOICES, *_TEXTS)}
    for name, choices in _CHOICES.items():
        if given[name] and given[name] not in choices:
            raise InvalidInputError(name, f"{name}: expected one of {', '.join(choices)}")
    return {name: value[:_LONGEST_FILTER] for name, value in given.items() if value}


def _after() -> tuple[str, int] | None:
    """After which name and number the page begins."""
    name, number = request.args.get("after"), request.args.get("after_id", "")
    if name is None or not (number.isascii() and number.isdecimal() and len(number) < 19):
        return None
    return name, int(number)


def _more(after: tuple[str, int] | None) -> str | None:
    """The address of the next page."""
    if after is None:
        return None
    asked: dict[str, Any] = request.args.to_dict() | {"after": after[0], "after_id": str(after[1])}
    return url_for("pages.machines", **asked)
