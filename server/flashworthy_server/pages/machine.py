"""One machine: its verdict, what it is and was, and what people record of it."""

import json
from datetime import date, timedelta
from typing import Any

from flask import Response, render_template
from markupsafe import Markup

from flashworthy_common.attention import AttentionCode
from flashworthy_common.confirmations import Confirmed
from flashworthy_common.present import MORE, closing, sentence, verdict_parts
from flashworthy_common.readiness import Answer, Check, Moment, Verdict
from flashworthy_common.report import Component
from flashworthy_common.values import Unknown
from flashworthy_server.errors import InvalidInputError
from flashworthy_server.pages import pictures
from flashworthy_server.pages.blueprint import blueprint
from flashworthy_server.pages.forms import choice, number_asked, or_back_to, text, to_page
from flashworthy_server.pages.pictures import Stay
from flashworthy_server.services import confirmations, credentials, flashes, resting, symptoms
from flashworthy_server.services import machines as service
from flashworthy_server.services.machines import History, MachineView
from flashworthy_server.services.power_history import DAYS, PowerDay, power_of_late
from flashworthy_server.web.context import current_site, current_who

LONGEST_PLACE = 200  # characters
_REPORTS_SHOWN = 10
_VERSIONS_SHOWN = 5  # in the line; the table has them all
_RESTS_DAYS = 30  # unless another day is typed
_ANSWERS = (Answer.STOP, Answer.FIX, Answer.UNKNOWN, Answer.PASS)

PLACE_BY = {
    "hand": "a person",
    "list": "the site's list",
    "code": "its enrolment code",
    "agent": "its agent",
    "rule": "the site's rules",
}
WORDS = {
    Confirmed.RECOVERY_KEY: "the recovery key was read, and is at hand, of protector",
    Confirmed.SETTINGS_WRITTEN_DOWN: "its settings are written down, as it runs",
    Confirmed.USER_INFORMED: "whoever uses it knows of the update to",
    Confirmed.RECOVERY_ROUTE: "a way of recovery is known for it, should it not start after",
    Confirmed.UPS_READY: "a UPS stands ready for it",
    Confirmed.NO_WAY_BACK: "accepted in writing: there may be no way back from",
}


@blueprint.get("/machines/<int:machine_id>")
def machine(machine_id: int) -> str:
    site = current_site()
    view = service.view_machine(site, machine_id)
    before = number_asked("before")
    history = service.history_of(site, machine_id, before=before, count=_REPORTS_SHOWN)
    return render_template(
        "pages/machine.html",
        view=view,
        history=history,
        line=_line(view, history),
        verdict=_verdict(view),
        components=_components(view),
        power=_power(machine_id),
        confirmations=confirmations.confirmations_of(site, machine_id),
        to_confirm=confirmations.to_confirm(site, machine_id),
        symptoms=symptoms.symptoms_of(site, machine_id),
        flashes=flashes.flashes_of(site, machine_id),
        lasting=[code.value for code in service.LASTING],
        now=site.clock(),
        rests_until=site.clock().date() + timedelta(days=_RESTS_DAYS),
        MORE=MORE,
        PLACE_BY=PLACE_BY,
        WORDS=WORDS,
    )


@blueprint.get("/machines/<int:machine_id>/reports/<int:number>")
def report(machine_id: int, number: int) -> str:
    body = service.report_text(current_site(), machine_id, number)
    name = service.view_machine(current_site(), machine_id).row.machine.name
    return render_template(
        "pages/report.html", machine_id=machine_id, name=name, number=number, body=_indented(body)
    )


# ---- where it stands, and whether it may be touched -------------------------------------------


@blueprint.post("/machines/<int:machine_id>/place")
@or_back_to(machine)
def move(machine_id: int) -> Response:
    service.move(current_site(), current_who(), machine_id, text("place")[:LONGEST_PLACE])
    return to_page("machine", machine_id=machine_id)


@blueprint.post("/machines/<int:machine_id>/mark")
@or_back_to(machine)
def mark(machine_id: int) -> Response:
    duty = " ".join(text("duty").split())[:LONGEST_PLACE]
    service.mark(current_site(), current_who(), machine_id, duty or None)
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


# ---- attention --------------------------------------------------------------------------------


@blueprint.post("/machines/<int:machine_id>/acknowledge")
@or_back_to(machine)
def acknowledge(machine_id: int) -> Response:
    code, learn = choice("attention", AttentionCode), text("learn") == "yes"
    service.acknowledge(
        current_site(), current_who(), machine_id, code, text("reason"), learn=learn
    )
    return to_page("machine", machine_id=machine_id)


@blueprint.post("/machines/<int:machine_id>/rest")
@or_back_to(machine)
def let_rest(machine_id: int) -> Response:
    code = choice("attention", AttentionCode)
    resting.let_rest(current_site(), current_who(), machine_id, code, text("reason"), _day("until"))
    return to_page("machine", machine_id=machine_id)


@blueprint.post("/machines/<int:machine_id>/ask-again")
@or_back_to(machine)
def ask_again(machine_id: int) -> Response:
    resting.ask_again(current_site(), current_who(), machine_id, choice("attention", AttentionCode))
    return to_page("machine", machine_id=machine_id)


# ---- what people state, see and do ------------------------------------------------------------


@blueprint.post("/machines/<int:machine_id>/confirmations")
@or_back_to(machine)
def confirm(machine_id: int) -> Response:
    what = choice("what", Confirmed)
    confirmations.confirm(current_site(), current_who(), machine_id, what, text("of"))
    return to_page("machine", machine_id=machine_id, _anchor="confirmations")


@blueprint.post("/machines/<int:machine_id>/confirmations/<int:number>/withdraw")
def withdraw_confirmation(machine_id: int, number: int) -> Response:
    confirmations.withdraw(current_site(), current_who(), machine_id, number)
    return to_page("machine", machine_id=machine_id, _anchor="confirmations")


@blueprint.post("/machines/<int:machine_id>/symptoms")
@or_back_to(machine)
def add_symptom(machine_id: int) -> Response:
    symptoms.add_symptom(current_site(), current_who(), machine_id, text("says"))
    return to_page("machine", machine_id=machine_id, _anchor="symptoms")


@blueprint.post("/machines/<int:machine_id>/symptoms/<int:number>/end")
def end_symptom(machine_id: int, number: int) -> Response:
    symptoms.end_symptom(current_site(), current_who(), machine_id, number)
    return to_page("machine", machine_id=machine_id, _anchor="symptoms")


@blueprint.post("/machines/<int:machine_id>/flashes")
@or_back_to(machine)
def start_flash(machine_id: int) -> Response:
    version = " ".join(text("version").split()) or None
    flashes.start_flash(current_site(), current_who(), machine_id, version)
    return to_page("machine", machine_id=machine_id, _anchor="flashes")


@blueprint.post("/machines/<int:machine_id>/flashes/done")
@or_back_to(machine)
def flash_done(machine_id: int) -> Response:
    flashes.note_done(current_site(), current_who(), machine_id)
    return to_page("machine", machine_id=machine_id, _anchor="flashes")


@blueprint.post("/machines/<int:machine_id>/flashes/give-up")
@or_back_to(machine)
def give_up_flash(machine_id: int) -> Response:
    flashes.give_up(current_site(), current_who(), machine_id, text("reason"))
    return to_page("machine", machine_id=machine_id, _anchor="flashes")


# ---- what the page shows ----------------------------------------------------------------------


def _verdict(view: MachineView) -> dict[str, Any] | None:
    """The verdict of now as the page shows it; none before the first report."""
    site, known = current_site(), view.machine
    if known.newest is None:
        return None
    verdict = service.verdict_of(site, known.id, Moment.DESK)
    return {
        "outcome": verdict.outcome.value,
        "sentence": sentence(verdict),
        "parts": verdict_parts(verdict, now=site.clock()),
        "closing": closing(verdict),
        "checks": _checks(verdict),
        "counts": {each.value: len(verdict.answered(each)) for each in _ANSWERS},
    }


def _checks(verdict: Verdict) -> list[Check]:
    """All of them, what is to be done first."""
    return [check for answer in _ANSWERS for check in verdict.answered(answer)]


def _line(view: MachineView, history: History) -> Markup | None:
    """The versions that it was seen to run, as a line; none where it was seen to run one only."""
    changes = list(reversed(history.changes))
    if not changes:
        return None
    first = Stay(changes[0].from_text, view.row.machine.enrolled_at)
    later = [Stay(change.to_text, change.to_seen_at) for change in changes]
    shown = [first, *later][-_VERSIONS_SHOWN:]
    return pictures.line_in_time(shown, current_site().clock(), "its versions in time")


def _components(view: MachineView) -> list[Component] | Unknown:
    if view.machine.newest is None:
        return []
    items = view.machine.newest.report.components.items
    return items if isinstance(items, Unknown) else sorted(items, key=lambda each: each.kind)


def _power(machine_id: int) -> dict[str, Any]:
    """The days of power, and their picture where a battery is known."""
    found = power_of_late(current_site(), machine_id)
    return {"days": found, "picture": _battery_picture(found)}


def _battery_picture(found: list[PowerDay]) -> Markup | None:
    percents = {day.on: day.percent for day in found if day.percent is not None}
    if not percents:
        return None
    first = current_site().clock().date() - timedelta(days=DAYS)
    return pictures.days(percents, first, DAYS + 1, "charge of the battery, day by day, in percent")


def _indented(body: str) -> str:
    """JSON as people read it; a body that is none stays as it came."""
    try:
        return json.dumps(json.loads(body), indent=2, ensure_ascii=False)
    except ValueError:
        return body


def _day(name: str) -> date:
    try:
        return date.fromisoformat(text(name).strip())
    except ValueError:
        raise InvalidInputError(
            name, f"{name}: expected a day such as 2027-01-31, got {text(name)[:20]!r}"
        ) from None
