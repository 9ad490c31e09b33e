"""Exceptions: where the site decides otherwise, with a reason, an owner and a last day."""

from typing import Any

from flask import Response, render_template, request, url_for

from flashworthy_common.exceptions import ExceptionKind
from flashworthy_server.errors import BadRow, BadRowsError, ServerError
from flashworthy_server.pages.blueprint import blueprint
from flashworthy_server.pages.forms import lines_of, number_asked, or_back_to, text, to_page
from flashworthy_server.services import exceptions as service
from flashworthy_server.services import machines
from flashworthy_server.web.context import current_site, current_who

KINDS = (
    (ExceptionKind.NOT_THIS_RELEASE.value, "this release is not flashed"),
    (ExceptionKind.RISK_ACCEPTED.value, "the risk is accepted"),
)


@blueprint.get("/exceptions")
def exceptions() -> str:
    site = current_site()
    before, ended_too = number_asked("before"), "all" in request.args
    found, last = service.list_exceptions(
        site, only_in_force=not ended_too, before=before, count=site.config.page_rows
    )
    kept: dict[str, Any] = {"all": "yes"} if ended_too else {}
    return render_template(
        "pages/exceptions.html",
        exceptions=found,
        kinds=dict(KINDS),
        ended_too=ended_too,
        now=site.clock(),
        more=url_for("pages.exceptions", before=last, **kept) if last else None,
    )


@blueprint.post("/exceptions/<int:exception_id>/end")
@or_back_to(lambda exception_id: exceptions())
def end_exception(exception_id: int) -> Response:
    service.end_exception(current_site(), current_who(), exception_id, text("reason"))
    return to_page("exceptions")


@blueprint.get("/exceptions/new")
def new_exception() -> str:
    names = ("machine_maker", "models", "version_text", "advisories", "machines")
    given = {name: request.args.get(name, "")[:500] for name in names}
    return render_template(
        "pages/exception_form.html", kinds=KINDS, given=given, owner=current_who().known_as
    )


@blueprint.post("/exceptions/new")
@or_back_to(new_exception)
def make_exception() -> Response:
    service.add_exception(current_site(), current_who(), _typed())
    return to_page("exceptions")


def _typed() -> dict[str, Any]:
    """The exception as it stands in the form; machines that are named give their own maker."""
    ids = _named_machines()
    maker, models = text("machine_maker").strip(), lines_of("models")
    if ids and not (maker and models):
        own_maker, own_models = machines.maker_and_models(current_site(), ids)
        maker, models = maker or own_maker, models or own_models
    return {
        "kind": text("kind"),
        "machine_maker": maker,
        "models": models,
        "version_text": text("version_text").strip(),
        "advisories": lines_of("advisories"),
        "machine_ids": ids,
        "reason": text("reason").strip(),
        "owner": text("owner").strip(),
        "until": text("until").strip(),
    }


def _named_machines() -> list[int]:
    found, bad = [], []
    for name in lines_of("machines"):
        try:
            found.append(machines.machine_id_of(current_site(), name))
        except ServerError as error:
            bad.append(BadRow("", str(error), "machines"))
    if bad:
        raise BadRowsError(bad)
    return found
