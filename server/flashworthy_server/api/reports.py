"""Reports arrive here."""

from datetime import UTC, datetime
from email.utils import parsedate_to_datetime
from functools import lru_cache
from typing import Any

from flask import Response, request

from flashworthy_server import json_text
from flashworthy_server.answers import ReportReceiptSchema
from flashworthy_server.api.bodies import Blueprint, read_body
from flashworthy_server.services.ingest import receive_report
from flashworthy_server.web.context import current_address, current_machine, current_site
from flashworthy_server.wire import ReportSchema, read_report

blueprint = Blueprint("reports", __name__, url_prefix="/reports", description="agents report here")


def _receipt(description: str) -> dict[str, Any]:
    return {
        "description": description,
        "content": {"application/json": {"schema": ReportReceiptSchema}},
    }


@blueprint.route("", methods=["POST"])
@blueprint.doc(  # what the decorators of the other routes would say; they look at each answer anew
    requestBody={"required": True, "content": {"application/json": {"schema": ReportSchema}}},
    responses={201: _receipt("It is on disk."), 200: _receipt("It was here already.")},
)
def receive() -> Response:
    """Keep one report; sending it again changes nothing.

    The body may be compressed (Content-Encoding: gzip). The Date header tells how far the
    machine's clock is off.
    """
    site = current_site()
    with site.intake.expecting():
        body = read_body(site.config.report_body_bytes, site.config.report_values)
        read = read_report(body.data)
    receipt = receive_report(
        site,
        current_machine(),
        read,
        body.text,
        _sent_at(),
        current_address() or None,
    )
    text = json_text.dumps(receipt)  # in the fields of its schema
    return Response(text, 201 if receipt.stored else 200, content_type="application/json")


def _sent_at() -> datetime | None:
    """The machine's clock when it sent; none where it does not say."""
    return _time_of(request.headers.get("Date", ""))


@lru_cache(maxsize=64)  # many machines send in one second
def _time_of(date: str) -> datetime | None:
    """The time of a Date header (RFC 9110 §6.6.1)."""
    try:
        sent_at = parsedate_to_datetime(date)
    except ValueError:
        return None
    return sent_at if sent_at.tzinfo else sent_at.replace(tzinfo=UTC)
