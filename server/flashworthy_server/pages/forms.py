"""How a change is tried: where it cannot be made, the page comes back with the reason.

The reason stands on top, and at its field; what was typed stands in the form that was sent, and in
no other of the page.
"""

import functools
import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any, TypeVar
from urllib.parse import urlsplit

from flask import Response, g, make_response, redirect, request, url_for

from flashworthy_server import errors
from flashworthy_server.errors import InvalidInputError
from flashworthy_server.services.machines import machine_id_of
from flashworthy_server.web.context import current_site
from flashworthy_server.web.failures import headers_of, status_of

Choice = TypeVar("Choice")

_SAID_ON_THE_PAGE = (
    errors.BadRowsError,
    errors.InvalidInputError,
    errors.ConflictError,
    errors.InvalidCodeError,
    errors.SignInError,
    errors.TooManyError,
    errors.TooLargeError,
    errors.NoSpaceError,
    errors.DigestError,
)
View = Callable[..., Any]
_LONGEST_NUMBER = 19  # digits: one less than 2**63 has
WHICH = "which_form"  # a field that tells forms of one address apart


def or_back_to(show: View) -> Callable[[View], View]:
    """Try a change; where it cannot be made, answer with `show`, the reason on it."""

    def around(change: View) -> View:
        @functools.wraps(change)
        def tried(**place: Any) -> Any:
            try:
                return change(**place)
            except _SAID_ON_THE_PAGE as error:
                g.faults = tuple(_faults(error))
                response = make_response(show(**place))
                response.status_code = status_of(error)
                response.headers.extend(headers_of(error))
                return response

        return tried

    return around


@dataclass(frozen=True, slots=True)
class Fault:
    """What cannot be taken; `field` is empty where it is not one field's."""

    field: str
    says: str


@dataclass(frozen=True, slots=True)
class Form:
    """One form of a page, by the address that it is sent to."""

    action: str
    which: str = ""  # of several that are sent to the same address

    def id(self, name: str) -> str:
        """The id of a field, of its own among all forms of the page."""
        return "-".join((*re.findall(r"\w+", f"{self.action} {self.which}"), name))

    def typed(self, name: str, otherwise: object = "") -> object:
        """What was typed into a field where this form could not be taken, else `otherwise`."""
        return request.form.get(name, "") if self.came_back else otherwise

    def fault(self, name: str) -> str:
        """What is wrong with a field; empty where nothing is."""
        faults: Iterable[Fault] = g.faults if self.came_back else ()
        return "; ".join(fault.says for fault in faults if fault.field == name)

    def has_faults(self, names: Iterable[str]) -> bool:
        """Whether something is wrong with one of these fields."""
        return any(self.fault(name) for name in names)

    @property
    def came_back(self) -> bool:
        """Whether this is the form that could not be taken."""
        is_sent = urlsplit(self.action).path == request.path and self.which == text(WHICH)
        return "faults" in g and is_sent


def form_that_came_back() -> Form:
    return Form(request.path, text(WHICH))


def _faults(error: Exception) -> Iterable[Fault]:
    if isinstance(error, errors.BadRowsError):
        return [
            Fault(re.split(r"[.\[]", row.field)[0], f"{row.field}: {row.reason}".lstrip(": "))
            for row in error.rows
        ]
    return [Fault(error.field if isinstance(error, InvalidInputError) else "", str(error))]


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


def number_asked(name: str) -> int | None:
    """A number in the address, as high as the database can keep; none where it is none."""
    given = request.args.get(name, "")
    is_number = given.isascii() and given.isdecimal() and len(given) < _LONGEST_NUMBER
    return int(given) if is_number else None


def lines_of(name: str) -> list[str]:
    """The lines of a field that hold something."""
    lines = (each.strip() for each in text(name).splitlines())
    return [each for each in lines if each]


def named_machine(name: str) -> int | None:
    """The machine that a field names, by its name or as ``#12``; none where it names none."""
    typed = text(name).strip()
    try:
        return machine_id_of(current_site(), typed) if typed else None
    except (errors.NotFoundError, errors.AmbiguousNameError) as error:
        raise InvalidInputError(name, f"{name}: {error}") from error


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
