"""Every failure as problem details (RFC 9457), and every refusal counted.

The `type` member is left out: `about:blank` then applies, and `title` is the phrase of the status.
"""

from http import HTTPStatus
from typing import Any

from flask import Flask, Response, current_app, json, request
from werkzeug.exceptions import HTTPException

from flashworthy_server import errors
from flashworthy_server.services.overview import count_refusal
from flashworthy_server.web.context import current_site
from flashworthy_server.wire import messages_by_field

CONTENT_TYPE = "application/problem+json"

_STATUS: dict[type[errors.ServerError], HTTPStatus] = {
    errors.InvalidTokenError: HTTPStatus.UNAUTHORIZED,
    errors.InvalidCodeError: HTTPStatus.FORBIDDEN,
    errors.ForbiddenError: HTTPStatus.FORBIDDEN,
    errors.NotFoundError: HTTPStatus.NOT_FOUND,
    errors.ConflictError: HTTPStatus.CONFLICT,
    errors.UnreadableBodyError: HTTPStatus.BAD_REQUEST,
    errors.TooLargeError: HTTPStatus.REQUEST_ENTITY_TOO_LARGE,
    errors.UnsupportedBodyError: HTTPStatus.UNSUPPORTED_MEDIA_TYPE,
    errors.InvalidReportError: HTTPStatus.UNPROCESSABLE_ENTITY,
    errors.BadRowsError: HTTPStatus.UNPROCESSABLE_ENTITY,
    errors.BusyError: HTTPStatus.SERVICE_UNAVAILABLE,
}
_KEPT_HEADERS = ("Allow", "Retry-After", "WWW-Authenticate")
_KNOWN_METHODS = frozenset({"DELETE", "GET", "HEAD", "OPTIONS", "PATCH", "POST", "PUT"})
_DETAILS = {
    HTTPStatus.NOT_FOUND: "nothing is served under this path",
    HTTPStatus.METHOD_NOT_ALLOWED: "this path does not know the method; see Allow",
    HTTPStatus.INTERNAL_SERVER_ERROR: "an error of the server's own; its log has more",
}
_RETRY_AFTER_SECONDS = 5

Faults = list[dict[str, str]]


def register(app: Flask) -> None:
    app.register_error_handler(errors.ServerError, _of_ours)
    app.register_error_handler(HTTPException, _of_http)
    app.after_request(_count)


def problem(
    status: HTTPStatus, detail: str, *, faults: Faults | None = None, headers: Any = None
) -> Response:
    """One problem as a response."""
    body: dict[str, Any] = {"title": status.phrase, "status": status.value, "detail": detail}
    if faults:
        body["errors"] = faults
    return Response(json.dumps(body), status.value, headers, content_type=CONTENT_TYPE)


def _of_ours(error: errors.ServerError) -> Response:
    status = next((status for kind, status in _STATUS.items() if isinstance(error, kind)), None)
    if status is None:
        raise error  # no fault of whoever asks
    headers = {}
    if status is HTTPStatus.UNAUTHORIZED:  # RFC 9110 §11.6.1
        headers["WWW-Authenticate"] = 'Bearer realm="flashworthy"'
    if status is HTTPStatus.SERVICE_UNAVAILABLE:
        headers["Retry-After"] = str(_RETRY_AFTER_SECONDS)
    return problem(status, str(error), faults=_faults_of_ours(error), headers=headers)


def _faults_of_ours(error: errors.ServerError) -> Faults:
    if isinstance(error, errors.BadRowsError):
        return [{"field": row.position, "reason": row.reason} for row in error.rows]
    if isinstance(error, errors.InvalidReportError):
        return _faults(error.fields)
    return []


def _of_http(error: HTTPException) -> Response:
    status = HTTPStatus(error.code or 500)
    headers = {name: text for name, text in error.get_headers() if name in _KEPT_HEADERS}
    messages = getattr(error, "data", {}).get("messages")
    if messages:
        faults = _faults(_by_field(messages))
        names = ", ".join(fault["field"] for fault in faults)
        return problem(status, f"wrong or missing: {names}", faults=faults, headers=headers)
    detail = _DETAILS.get(status) or error.description or status.description
    return problem(status, detail, headers=headers)


def _by_field(messages: dict[str, Any]) -> dict[str, list[str]]:
    """Messages without the part of the request that they were found in (body or query)."""
    return {
        name: texts
        for inner in messages.values()
        for name, texts in messages_by_field(inner).items()
    }


def _faults(messages: dict[str, list[str]]) -> Faults:
    return [{"field": name, "reason": " ".join(texts)} for name, texts in messages.items()]


def _count(response: Response) -> Response:
    """Count a refusal under its route, never under the path: that would grow without bound."""
    if HTTPStatus.BAD_REQUEST <= response.status_code < HTTPStatus.INTERNAL_SERVER_ERROR:
        method = request.method if request.method in _KNOWN_METHODS else "other"
        route = request.url_rule.rule if request.url_rule else "(no such route or method)"
        try:
            count_refusal(current_site(), f"{method} {route}", response.status_code)
        except errors.BusyError:
            current_app.logger.warning("a refusal could not be counted: the database is busy")
    return response
