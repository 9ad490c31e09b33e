"""The policy: each limit with its unit and source, and what another would change before it is set.

An empty field leaves a limit to what holds around the place, in the end to its default.
"""

from dataclasses import Field
from typing import Any, cast

from flask import Response, render_template, request

from flashworthy_common.errors import MalformedValueError
from flashworthy_common.policy import limits
from flashworthy_common.spans import parse_span, span_in_words
from flashworthy_common.values import to_json
from flashworthy_server.errors import ConflictError, InvalidInputError
from flashworthy_server.pages.blueprint import blueprint
from flashworthy_server.pages.forms import number_asked, or_back_to, text, to_page
from flashworthy_server.services import jobs, long_work
from flashworthy_server.services import policies as service
from flashworthy_server.services.policies import PolicyView, Proposed
from flashworthy_server.web.context import current_site, current_who

_LONGEST_PLACE = 200  # characters
_SECONDS = "_seconds"
_UNITS = {"_percent": " percent", "_minutes": " minutes", "_bytes": " bytes"}
_YES_NO = {"yes": True, "no": False}


@blueprint.get("/policy")
def policy() -> str:
    place = (request.values.get("place") or "").strip()[:_LONGEST_PLACE] or None
    view = service.view_policy(current_site(), place)
    return render_template(
        "pages/policy.html",
        view=view,
        rows=[_row(view, each, _proposed(view)) for each in limits()],
        places=service.places_with_limits(current_site()),
    )


@blueprint.post("/policy")
@or_back_to(policy)
def try_policy() -> Response:
    """Nothing is set yet: the effect is shown first."""
    place = text("place").strip()[:_LONGEST_PLACE] or None
    wanted = {each.name: _read(each) for each in limits() if text(each.name).strip()}
    job_id = long_work.compare_policy(current_site(), current_who(), place, wanted)
    return to_page("job", job_id=job_id)


@blueprint.post("/jobs/<int:job_id>/set")
def set_policy(job_id: int) -> Response:
    site, who = current_site(), current_who()
    compared = jobs.view(site, who, job_id)
    if compared.kind != long_work.COMPARE_POLICY or compared.state != jobs.State.DONE.value:
        raise ConflictError(f"job #{job_id} shows no limits that could be set")
    proposed = Proposed(**compared.given)
    service.set_limits(site, who, proposed.place, proposed.limits, based_on=proposed.based_on)
    return to_page("policy", place=proposed.place)


@blueprint.app_template_filter("limit_label")
def _label(name: str) -> str:
    """The name of a limit as people read it, without its unit."""
    words = name.removesuffix(_SECONDS).replace("_", " ").replace("ups", "UPS")
    return words[:1].upper() + words[1:]


@blueprint.app_template_filter("limit_value")
def _in_words(value: Any, name: str) -> str:
    """A limit's value with its unit."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if name.endswith(_SECONDS):
        return span_in_words(value)
    unit = next((unit for end, unit in _UNITS.items() if name.endswith(end)), "")
    return f"{value:g}{unit}" if isinstance(value, float) else f"{value}{unit}"


def _row(view: PolicyView, limit: Field[Any], proposed: dict[str, Any]) -> dict[str, Any]:
    name, default = limit.name, cast(Any, limit.default)
    choices: list[Any] = []
    if isinstance(default, bool):
        choices = list(_YES_NO)
    elif hasattr(default, "value"):
        choices = [each.value for each in type(default)]
    typed = _typed_as(proposed[name], name) if name in proposed else ""
    return {
        "name": name,
        "in_force": to_json(getattr(view.policy, name)),
        "default": to_json(default),
        "is_set_here": name in view.set_here,
        "value": typed,
        "choices": [("", "as around it"), *((each, each) for each in choices)] if choices else [],
        **limit.metadata,
    }


def _proposed(view: PolicyView) -> dict[str, Any]:
    """What stands in the fields: what is set here, or what was looked at and is changed again."""
    job_id = number_asked("like")
    if job_id is None:
        return view.set_here
    job = jobs.view(current_site(), current_who(), job_id)
    limits_: dict[str, Any] = job.given["limits"] if job.kind == long_work.COMPARE_POLICY else {}
    return limits_


def _typed_as(value: Any, name: str) -> str:
    """A value as it is typed."""
    if isinstance(value, bool) or name.endswith(_SECONDS):
        return _in_words(value, name)
    return f"{value:g}" if isinstance(value, float) else str(value)


def _read(limit: Field[Any]) -> Any:
    """What was typed for a limit, as JSON knows it; what it is not is said by the limit itself."""
    typed = text(limit.name).strip()
    if limit.name.endswith(_SECONDS):
        try:
            return parse_span(typed, limit.name)
        except MalformedValueError as error:
            raise InvalidInputError(limit.name, str(error)) from error
    if isinstance(limit.default, bool):
        return _YES_NO.get(typed, typed)
    if isinstance(limit.default, int | float):
        return _number(typed)
    return typed


def _number(typed: str) -> Any:
    for kind in (int, float):
        try:
            return kind(typed)
        except ValueError:
            continue
    return typed
