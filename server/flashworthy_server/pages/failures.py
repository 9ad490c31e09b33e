"""Pages of what went wrong; whoever is not signed in is asked to, and comes back afterwards."""

from http import HTTPStatus
from typing import Any

from flask import Response, make_response, render_template, request
from werkzeug.exceptions import HTTPException

from flashworthy_server.errors import ProofNeededError, ServerError, SignedOutError
from flashworthy_server.pages.forms import to_page
from flashworthy_server.web.failures import headers_of, http_details, status_of


def of_ours(error: ServerError) -> Response:
    """A failure that the server knows."""
    if isinstance(error, SignedOutError):
        return to_page("show_sign_in", to=_here())
    if isinstance(error, ProofNeededError):
        return to_page("show_prove", to=_here())
    return _page(status_of(error), str(error), headers_of(error))


def of_http(error: HTTPException) -> Response:
    """A failure that the framework found."""
    return _page(*http_details(error))


def _page(status: HTTPStatus, says: str, headers: dict[str, Any]) -> Response:
    page = render_template("pages/failure.html", title=status.phrase, says=says)
    response = make_response(page, status.value)
    headers.pop("WWW-Authenticate", None)  # a browser would ask for it in a window of its own
    response.headers.extend(headers)
    return response


def _here() -> str:
    """The page to come back to: what was sent to a page is lost, and its page is not."""
    if request.method == "GET":
        return request.full_path.rstrip("?")
    return "/" + request.path.split("/")[1]
