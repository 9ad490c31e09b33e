"""Whether the server lives: for whoever watches over it, without a token."""

from typing import Any

from flask import Blueprint

from flashworthy_server.web.context import current_site
from flashworthy_server.wire import WIRE_VERSIONS

blueprint = Blueprint("health", __name__)


@blueprint.route("/healthz")
def healthz() -> dict[str, Any]:
    """Answers once the database does; tells agents which versions of the wire are taken."""
    current_site().database.require_answer()
    return {"status": "ok", "wire": WIRE_VERSIONS}
