"""How a change is tried: where it cannot be made, the page comes back with the reason."""

import functools
from collections.abc import Callable
from typing import Any, TypeVar
from urllib.parse import urlsplit

from flask import Response, g, make_response, redirect, request, url_for

from flashworthy_server import errors
from flashworthy_server.errors import InvalidInputError
from flashworthy_server.web.failures import headers_of, status_of

Choice = TypeVar("Choice")

_SAID_ON_THE_PAGE = (
    errors.BadRowsError,
    errors.InvalidInputError,
    errors.ConflictError,
    errors.InvalidCodeError,
    errors.SignInError,
    errors.TooManyError,
)
View = Callable[..., Any]


def or_back_to(show: View) -> Callable[[View], View]:
    """Try a change; where it cannot be made, answer with `show`, the reason on it."""

    def around(change: View) -> View:
        @functools.wraps(change)
        def tried(**place: Any) -> Any:
            try:
                return change(**place)
            except _SAID_ON_THE_PAGE as error:
                g.error = _said(error)
                response = make_response(show(**place))
                response.status_code = status_of(error)
                response.headers.extend(headers_of(error))
                return response

        return tried

    return around


def _said(error: Exception) -> str:
    if isinstance(error, errors.BadRowsError):
        return "; ".join(f"{row.field}: {row.reason}".lstrip(": ") for row in error.rows)
    return str(error)


def to_page(endpoint: str, **place: Any) -> Response:
    """Send the browser to a page, to be got. [RFC 9110 §15.4.4]"""
    return to_path(url_for(f"pages.{endpoint}", **place))


def to_path(path: str) -> Response:
    return make_response(redirect(path, 303))


def own_path(path: str) -> str:
    """A path of this site as it was given, or that of its first page."""
    parts = urlsplit(path)
    is_own = path.startswith("/") and not path.startswith(("//", "/\\")) and not parts.netloc
    return path if is_own and path.isprintable() else "/"


def text(name: str) -> str:
    """A field of the form; empty where it is not there."""
    return request.form.get(name, "")


def whole_number(name: str, least: int, most: int) -> int:
    given = text(name).strip()
    number = int(given) if given.isascii() and given.isdecimal() and len(given) < 10 else -1
    if not least <= number <= most:
        raise InvalidInputError(
            name, f"{name}: expected a whole number from {least} to {most}, got {given[:20]!r}"
        )
    return number


def choice(name: str, kind: Callable[[str], Choice]) -> Choice:
    """One of the values of an enumeration."""
    try:
        return kind(text(name))
    except ValueError:
        raise InvalidInputError(name, f"{name}: expected one of the choices") from None
