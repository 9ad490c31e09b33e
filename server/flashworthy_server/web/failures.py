"""What status each failure means, and what is told to whoever caused it; one for API and pages."""

from http import HTTPStatus

from flask import Flask, Response, current_app, g, request
from werkzeug.exceptions import HTTPException

from flashworthy_server import errors
from flashworthy_server.services.overview import count_refusal
from flashworthy_server.web.context import current_site

_STATUS: dict[type[errors.ServerError], HTTPStatus] = {
    errors.InvalidTokenError: HTTPStatus.UNAUTHORIZED,
    errors.SignedOutError: HTTPStatus.UNAUTHORIZED,
    errors.SignInError: HTTPStatus.FORBIDDEN,
    errors.ProofNeededError: HTTPStatus.FORBIDDEN,
    errors.InvalidCodeError: HTTPStatus.FORBIDDEN,
    errors.ForbiddenError: HTTPStatus.FORBIDDEN,
    errors.NotFoundError: HTTPStatus.NOT_FOUND,
    errors.ConflictError: HTTPStatus.CONFLICT,
    errors.UnreadableBodyError: HTTPStatus.BAD_REQUEST,
    errors.TooLargeError: HTTPStatus.REQUEST_ENTITY_TOO_LARGE,
    errors.UnsupportedBodyError: HTTPStatus.UNSUPPORTED_MEDIA_TYPE,
    errors.InvalidReportError: HTTPStatus.UNPROCESSABLE_ENTITY,
    errors.InvalidInputError: HTTPStatus.UNPROCESSABLE_ENTITY,
    errors.BadRowsError: HTTPStatus.UNPROCESSABLE_ENTITY,
    errors.TooManyError: HTTPStatus.TOO_MANY_REQUESTS,
    errors.BusyError: HTTPStatus.SERVICE_UNAVAILABLE,
    errors.MailError: HTTPStatus.BAD_GATEWAY,
    errors.NoSpaceError: HTTPStatus.INSUFFICIENT_STORAGE,
    errors.DigestError: HTTPStatus.UNPROCESSABLE_ENTITY,
    errors.DamagedPackageError: HTTPStatus.GONE,
}
_DETAILS = {
    HTTPStatus.NOT_FOUND: "nothing is served under this path",
    HTTPStatus.METHOD_NOT_ALLOWED: "this path does not know the method; see Allow",
    HTTPStatus.INTERNAL_SERVER_ERROR: "an error of the server's own; its log has more",
}
_KEPT_HEADERS = ("Allow", "Retry-After", "WWW-Authenticate")
_KNOWN_METHODS = frozenset({"DELETE", "GET", "HEAD", "OPTIONS", "PATCH", "POST", "PUT"})
_OF_SECURITY = (HTTPStatus.UNAUTHORIZED, HTTPStatus.FORBIDDEN, HTTPStatus.TOO_MANY_REQUESTS)
RETRY_AFTER_SECONDS = 5  # a database that is busy


def register(app: Flask) -> None:
    app.after_request(_count)


def status_of(error: errors.ServerError) -> HTTPStatus:
    """What a failure means; raises it on where it is no fault of whoever asks."""
    status = next((status for kind, status in _STATUS.items() if isinstance(error, kind)), None)
    if status is None:
        raise error
    return status


def headers_of(error: errors.ServerError) -> dict[str, str]:
    status = status_of(error)
    if status is HTTPStatus.UNAUTHORIZED:  # RFC 9110 §11.6.1
        return {"WWW-Authenticate": 'Bearer realm="flashworthy"'}
    if isinstance(error, errors.TooManyError):
        return {"Retry-After": str(error.retry_after_seconds)}
    if status is HTTPStatus.SERVICE_UNAVAILABLE:
        return {"Retry-After": str(RETRY_AFTER_SECONDS)}
    return {}


def http_details(error: HTTPException) -> tuple[HTTPStatus, str, dict[str, str]]:
    """Status, words and headers of a failure that the framework found."""
    status = HTTPStatus(error.code or 500)
    headers = {name: text for name, text in error.get_headers() if name in _KEPT_HEADERS}
    return status, _DETAILS.get(status) or error.description or status.description, headers


def _count(response: Response) -> Response:
    """Count a refusal under its route, never under the path: that would grow without bound."""
    status = response.status_code
    if HTTPStatus.BAD_REQUEST <= status < HTTPStatus.INTERNAL_SERVER_ERROR:
        method = request.method if request.method in _KNOWN_METHODS else "other"
        route = request.url_rule.rule if request.url_rule else "(no such route or method)"
        what = f"{method} {route}"
        if status in _OF_SECURITY:
            told = (status, what, g.get("who"), request.remote_addr)
            current_app.logger.warning("refused with %s: %s to %s from %s", *told)
        if status != HTTPStatus.TOO_MANY_REQUESTS:  # to count these would be the load itself
            _keep_count(what, status)
    return response


def _keep_count(what: str, status: int) -> None:
    try:
        count_refusal(current_site(), what, status)
    except errors.BusyError:
        current_app.logger.warning("a refusal could not be counted: the database is busy")
