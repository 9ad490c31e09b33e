"""Weighing: how reasons get their priority here, and what is known of holes."""

from typing import Any

from flask import Response, render_template, request, url_for

from flashworthy_common.reasons import Priority
from flashworthy_common.ssvc import Exploitation, Exposure, HumanImpact
from flashworthy_server.pages.blueprint import blueprint
from flashworthy_server.pages.forms import or_back_to, text, to_page
from flashworthy_server.pages.releases import handed_in
from flashworthy_server.services import long_work
from flashworthy_server.services import weighing as service
from flashworthy_server.web.context import current_site, current_who

_PRIORITIES = [each.value for each in Priority]
_CHOICES: dict[str, list[str]] = {
    "exposure": [each.value for each in Exposure],
    "automatable": ["yes", "no"],
    "human_impact": [each.value for each in HumanImpact],
    "fault": _PRIORITIES,
    "required": _PRIORITIES,
    "maker_order": _PRIORITIES,
    "site_order": _PRIORITIES,
}
_FLAGS = {"yes": True, "no": False}
_LONGEST_ID = 100  # characters


@blueprint.get("/weighing")
def weighing() -> str:
    site = current_site()
    after = request.args.get("after", "")[:_LONGEST_ID]
    advisories, last = service.list_advisories(site, after=after, count=site.config.page_rows)
    return render_template(
        "pages/weighing.html",
        inputs=service.inputs_of(site),
        choices=_CHOICES,
        catalogue=service.catalogue_of(site),
        advisories=advisories,
        exploitation=[("", "not said"), *((each.value, each.value) for each in Exploitation)],
        flags=[("", "not said"), *((each, each) for each in _FLAGS)],
        more=url_for("pages.weighing", after=last) if last else None,
    )


@blueprint.post("/weighing")
@or_back_to(weighing)
def set_weighing() -> Response:
    wanted = {name: _FLAGS.get(text(name), text(name)) for name in _CHOICES if text(name)}
    job_id = long_work.set_weighing(current_site(), current_who(), wanted)
    return to_page("job", job_id=job_id)


@blueprint.post("/weighing/advisories")
@or_back_to(weighing)
def record_advisory() -> Response:
    flag = text("automatable")
    said: dict[str, Any] = {
        "id": text("id").strip(),
        "exploitation": text("exploitation") or None,
        "automatable": _FLAGS.get(flag, flag) if flag else None,
        "cvss_vector": text("cvss_vector").strip(),
        "source": text("source").strip(),
    }
    service.record_advisory(current_site(), current_who(), said)
    return to_page("weighing")


@blueprint.post("/weighing/catalogue")
@or_back_to(weighing)
def import_catalogue() -> Response:
    name, content = handed_in("catalogue.json")
    job_id = long_work.record_catalogue(current_site(), current_who(), name, content)
    return to_page("job", job_id=job_id)
