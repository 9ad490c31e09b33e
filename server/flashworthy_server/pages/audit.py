"""The audit trail: who changed what."""

import json
from typing import Any

from flask import Response, render_template, request, url_for

from flashworthy_server.pages.blueprint import blueprint
from flashworthy_server.pages.forms import number_asked
from flashworthy_server.services import audit as service
from flashworthy_server.services.audit import Filters
from flashworthy_server.web.context import current_site

_FILTERS = ("who", "action", "subject")


@blueprint.get("/audit")
def audit() -> str:
    site = current_site()
    asked: dict[str, Any] = {
        name: value for name in _FILTERS if (value := request.args.get(name, "").strip())
    }
    found, last = service.newest_entries(
        site, Filters(**asked), before=number_asked("before"), count=site.config.page_rows
    )
    more = url_for("pages.audit", **asked, before=last) if last else None
    return render_template("pages/audit.html", entries=found, asked=asked, more=more)


@blueprint.get("/audit/<int:number>")
def audit_entry(number: int) -> str:
    """One entry, whole."""
    entry = service.entry_of(current_site(), number)
    sides = {"before": json.loads(entry.before), "after": json.loads(entry.after)}
    return render_template("pages/audit_entry.html", entry=entry, sides=sides)


@blueprint.get("/audit.jsonl")
def audit_lines() -> Response:
    """All of it, oldest first, one entry to a line."""
    response = Response(service.json_lines(current_site()), content_type=service.JSON_LINES)
    response.headers["Content-Disposition"] = "attachment; filename=audit.jsonl"
    return response
