"""Whether the server lives, and whether it can be of use: for whoever watches, without a token."""

from http import HTTPStatus
from typing import Any

from flask import Blueprint

from flashworthy_server.services import ready
from flashworthy_server.web.context import current_site
from flashworthy_server.web.failures import RETRY_AFTER_SECONDS
from flashworthy_server.wire import WIRE_VERSIONS

blueprint = Blueprint("health", __name__)


@blueprint.route("/healthz")
def healthz() -> dict[str, Any]:
    """Answers as long as the process lives; tells agents which versions of the wire are taken."""
    return {"status": "ok", "wire": WIRE_VERSIONS}


@blueprint.route("/readyz")
def readyz() -> tuple[dict[str, Any], int, dict[str, str]]:
    """Whether requests should be sent here now, and why not."""
    found = ready.troubles(current_site())
    if not found:
        return {"status": "ready"}, HTTPStatus.OK, {}
    again = {"Retry-After": str(RETRY_AFTER_SECONDS)}
    return {"status": "not ready", "because": found}, HTTPStatus.SERVICE_UNAVAILABLE, again
