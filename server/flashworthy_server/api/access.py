"""Who may do what: one table, asked before every request.

- A route that is not in the table is refused to everyone.
- A machine's token reaches only what is its own; the routes that it may use see to that with
  `require_own`.
"""

import re
from enum import Enum

from flask import Flask, g, request

from flashworthy_server.api.context import current_site
from flashworthy_server.errors import ForbiddenError, InvalidTokenError
from flashworthy_server.services.credentials import Administrator, MachineAgent, identify


class Role(Enum):
    ADMINISTRATOR = "administrator"
    MACHINE = "machine"


ANYONE = None  # no token is asked for
_ADMINISTRATOR = frozenset({Role.ADMINISTRATOR})
_MACHINE = frozenset({Role.MACHINE})

MAY: dict[str, frozenset[Role] | None] = {
    "health.healthz": ANYONE,
    "api-docs.openapi_json": ANYONE,
    "enrolments.enrol": ANYONE,  # the code is what lets it in
    "reports.receive": _MACHINE,
    "machines.list_machines": _ADMINISTRATOR,
    "machines.one": _ADMINISTRATOR,
    "machines.mark": _ADMINISTRATOR,
    "machines.history": _ADMINISTRATOR,
    "machines.verdict": _ADMINISTRATOR | _MACHINE,
    "overview.show": _ADMINISTRATOR,
    "releases.list_all": _ADMINISTRATOR,
    "releases.add": _ADMINISTRATOR,
    "releases.import_document": _ADMINISTRATOR,
}

_BEARER = re.compile(r"Bearer +(?P<token>[\x21-\x7e]+)", re.IGNORECASE)  # RFC 6750 §2.1


def register(app: Flask) -> None:
    app.before_request(_check)


def require_own(machine_id: int) -> None:
    """Refuse a machine that asks for another one; people may ask for any."""
    if isinstance(g.who, MachineAgent) and g.who.machine_id != machine_id:
        raise ForbiddenError("a machine's token reaches this machine only")


def _check() -> None:
    endpoint = request.endpoint
    if endpoint is None:
        return  # no such route, or no such method on it: answered as such
    if endpoint not in MAY:
        raise ForbiddenError("nobody may do this")
    allowed = MAY[endpoint]
    if allowed is ANYONE:
        return
    g.who = identify(current_site(), _token())
    role = Role.ADMINISTRATOR if isinstance(g.who, Administrator) else Role.MACHINE
    if role not in allowed:
        raise ForbiddenError(f"not for the token of {_ARTICLE[role]}")


_ARTICLE = {Role.ADMINISTRATOR: "an administrator", Role.MACHINE: "a machine"}


def _token() -> str:
    match = _BEARER.fullmatch(request.headers.get("Authorization", ""))
    if match is None:
        raise InvalidTokenError("expected the header Authorization: Bearer TOKEN")
    return match["token"]
