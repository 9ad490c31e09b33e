"""Every failure as problem details (RFC 9457).

The `type` member is left out: `about:blank` then applies, and `title` is the phrase of the status.
"""

from http import HTTPStatus
from typing import Any

from flask import Response, json
from werkzeug.exceptions import HTTPException

from flashworthy_server import errors
from flashworthy_server.web.failures import headers_of, http_details, status_of
from flashworthy_server.wire import messages_by_field

CONTENT_TYPE = "application/problem+json"

Fault = dict[str, str | int]
Faults = list[Fault]


def of_ours(error: errors.ServerError) -> Response:
    """A failure that the server knows."""
    if isinstance(error, errors.InvalidReportError):
        return _of_fields(status_of(error), error.fields, headers_of(error))
    return _problem(status_of(error), str(error), _faults_of_ours(error), headers_of(error))


def of_http(error: HTTPException) -> Response:
    """A failure that the framework found."""
    status, detail, headers = http_details(error)
    messages = getattr(error, "data", {}).get("messages")
    if not messages:
        return _problem(status, detail, [], headers)
    return _of_fields(status, _by_field(messages), headers)


def _of_fields(
    status: HTTPStatus, messages: dict[str, list[str]], headers: dict[str, str]
) -> Response:
    return _problem(status, f"wrong or missing: {', '.join(messages)}", _faults(messages), headers)


def _problem(status: HTTPStatus, detail: str, faults: Faults, headers: dict[str, str]) -> Response:
    body: dict[str, Any] = {"title": status.phrase, "status": status.value, "detail": detail}
    if faults:
        body["errors"] = faults
    return Response(json.dumps(body), status.value, headers, content_type=CONTENT_TYPE)


def _faults_of_ours(error: errors.ServerError) -> Faults:
    if isinstance(error, errors.BadRowsError):
        return [_fault_of_row(row) for row in error.rows]
    if isinstance(error, errors.InvalidInputError):
        return [{"field": error.field, "reason": str(error)}]
    return []


def _fault_of_row(row: errors.BadRow) -> Fault:
    line: Fault = {} if row.line is None else {"line": row.line}
    return {"field": row.where, "reason": row.reason, **line}


def _by_field(messages: dict[str, Any]) -> dict[str, list[str]]:
    """Messages without the part of the request that they were found in (body or query)."""
    return {
        name: texts
        for inner in messages.values()
        for name, texts in messages_by_field(inner).items()
    }


def _faults(messages: dict[str, list[str]]) -> Faults:
    return [{"field": name, "reason": " ".join(texts)} for name, texts in messages.items()]
