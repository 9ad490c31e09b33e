"""On the spot, with a phone: one machine after the other, in small pages.

Every form carries a key, so that it may be sent again where the connection broke; what was typed
stays in the browser until it has arrived.
"""

from flask import Response, render_template

from flashworthy_common.confirmations import Confirmed, subjects_now
from flashworthy_common.present import closing, sentence, verdict_parts
from flashworthy_common.readiness import Verdict
from flashworthy_common.report import Report
from flashworthy_server.pages.blueprint import blueprint
from flashworthy_server.pages.forms import choice, or_back_to, text, to_page
from flashworthy_server.services import visit_work as service
from flashworthy_server.services.visit_work import OnTheSpot
from flashworthy_server.services.visits import view_visit
from flashworthy_server.services.who import Who
from flashworthy_server.site import Site
from flashworthy_server.web.context import current_site, current_who


@blueprint.get("/visits/<int:visit_id>/work")
def visit_work(visit_id: int) -> str:
    """The next machine, and how the others stand."""
    view = view_visit(current_site(), visit_id)
    following = service.next_machine(view)
    if following is not None:
        return visit_machine(visit_id=visit_id, machine_id=following.id)
    return render_template("pages/visit_work.html", view=view, spot=None)


@blueprint.get("/visits/<int:visit_id>/machines/<int:machine_id>")
def visit_machine(visit_id: int, machine_id: int) -> str:
    site = current_site()
    spot = service.look(site, visit_id, machine_id)
    verdict = spot.verdict
    return render_template(
        "pages/visit_work.html",
        view=spot.view,
        spot=spot,
        sentence=sentence(verdict) if verdict else "",
        parts_of_verdict=verdict_parts(verdict, now=site.clock()) if verdict else [],
        closing=closing(verdict) if verdict else [],
        confirmable=_confirmable(spot),
    )


@blueprint.post("/visits/<int:visit_id>/machines/<int:machine_id>/started")
@or_back_to(visit_machine)
def note_started(visit_id: int, machine_id: int) -> Response:
    service.note_started(*_about(visit_id, machine_id))
    return to_page("visit_machine", visit_id=visit_id, machine_id=machine_id)


@blueprint.post("/visits/<int:visit_id>/machines/<int:machine_id>/done")
@or_back_to(visit_machine)
def note_done(visit_id: int, machine_id: int) -> Response:
    service.note_done(*_about(visit_id, machine_id))
    return to_page("visit_work", visit_id=visit_id)


@blueprint.post("/visits/<int:visit_id>/machines/<int:machine_id>/could-not")
@or_back_to(visit_machine)
def note_could_not(visit_id: int, machine_id: int) -> Response:
    service.note_could_not(*_about(visit_id, machine_id), text("reason"))
    return to_page("visit_work", visit_id=visit_id)


@blueprint.post("/visits/<int:visit_id>/machines/<int:machine_id>/confirm")
@or_back_to(visit_machine)
def confirm_on_the_spot(visit_id: int, machine_id: int) -> Response:
    service.confirm(*_about(visit_id, machine_id), choice("confirms", Confirmed))
    return to_page("visit_machine", visit_id=visit_id, machine_id=machine_id)


def _about(visit_id: int, machine_id: int) -> tuple[Site, Who, int, int, str]:
    return current_site(), current_who(), visit_id, machine_id, text("sent_key")


def _confirmable(spot: OnTheSpot) -> list[str]:
    """What a word could speak of on this machine, and one thing each."""
    verdict, report = spot.verdict, spot.report
    if verdict is None or report is None:
        return []
    return [each.value for each in Confirmed if _speaks_of_one(each, verdict, report)]


def _speaks_of_one(what: Confirmed, verdict: Verdict, report: Report) -> bool:
    need = verdict.need
    target = need.target.version_text if need.target else None
    return len(subjects_now(what, report, running=need.running, target=target)) == 1
