"""What belongs to the request at hand: the site it is about, and who asks."""

from typing import cast

from flask import current_app, g, request

from flashworthy_server.services.sessions import Visitor
from flashworthy_server.services.who import MachineAgent, Who
from flashworthy_server.site import Site

EXTENSION = "flashworthy"


def current_site() -> Site:
    return cast(Site, current_app.extensions[EXTENSION])


def current_who() -> Who:
    """Who asks; a stranger where `access` lets anyone in."""
    return cast(Who, g.who)


def current_machine() -> MachineAgent:
    """The agent that asks; only where `access` lets nobody else in."""
    return cast(MachineAgent, current_who().machine)


def current_visitor() -> Visitor:
    """Who is signed in; only on pages where `access` lets nobody else in."""
    return cast(Visitor, g.visitor)


def current_address() -> str:
    """Where the request came from; empty where the server was not told."""
    return request.remote_addr or ""
