"""Whether the server lives: for whoever watches over it, without a token."""

from flask import Blueprint

from flashworthy_server.web.context import current_site

blueprint = Blueprint("health", __name__)


@blueprint.route("/healthz")
def healthz() -> dict[str, str]:
    """Answers once the database does."""
    current_site().database.require_answer()
    return {"status": "ok"}
