"""Who may do what: one table, asked before every request.

- A route that is not in the table is refused to everyone.
- A machine's token reaches only what is its own; the routes that it may use see to that with
  `require_own`.
"""

import re

from flask import Flask, g, request

from flashworthy_server.errors import ForbiddenError, InvalidTokenError
from flashworthy_server.services.credentials import identify
from flashworthy_server.services.who import Role, stranger
from flashworthy_server.web.context import current_address, current_site, current_who

ANYONE = None  # no token is asked for
VIEWERS = frozenset({Role.VIEWER, Role.TECHNICIAN, Role.ADMINISTRATOR})
TECHNICIANS = frozenset({Role.TECHNICIAN, Role.ADMINISTRATOR})
ADMINISTRATORS = frozenset({Role.ADMINISTRATOR})
MACHINES = frozenset({Role.MACHINE})

MAY: dict[str, frozenset[Role] | None] = {
    "health.healthz": ANYONE,
    "api-docs.openapi_json": ANYONE,
    "enrolments.enrol": ANYONE,  # the code is what lets it in
    "reports.receive": MACHINES,
    "machines.list_machines": VIEWERS,
    "machines.one": VIEWERS,
    "machines.mark": ADMINISTRATORS,
    "machines.history": VIEWERS,
    "machines.verdict": VIEWERS | MACHINES,
    "overview.show": VIEWERS,
    "releases.list_all": VIEWERS,
    "releases.add": TECHNICIANS,
    "releases.import_document": TECHNICIANS,
}

_BEARER = re.compile(r"Bearer +(?P<token>[\x21-\x7e]+)", re.IGNORECASE)  # RFC 6750 §2.1


def register(app: Flask) -> None:
    app.before_request(_check)


def require_own(machine_id: int) -> None:
    """Refuse a machine that asks for another one; people may ask for any."""
    machine = current_who().machine
    if machine is not None and machine.machine_id != machine_id:
        raise ForbiddenError("a machine's token reaches this machine only")


def _check() -> None:
    endpoint = request.endpoint
    g.who = stranger(current_address())
    if endpoint is None:
        return  # no such route, or no such method on it: answered as such
    if endpoint not in MAY:
        raise ForbiddenError("nobody may do this")
    allowed = MAY[endpoint]
    if allowed is ANYONE:
        return
    g.who = identify(current_site(), _token(), current_address())
    if g.who.role not in allowed:
        raise ForbiddenError(f"not for the role {g.who.role.value}")


def _token() -> str:
    match = _BEARER.fullmatch(request.headers.get("Authorization", ""))
    if match is None:
        raise InvalidTokenError("expected the header Authorization: Bearer TOKEN")
    return match["token"]
