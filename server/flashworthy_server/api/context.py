"""What belongs to the request at hand: the site it is about, and who asks."""

from typing import cast

from flask import current_app, g

from flashworthy_server.services.credentials import Administrator, MachineAgent
from flashworthy_server.site import Site

EXTENSION = "flashworthy"


def current_site() -> Site:
    return cast(Site, current_app.extensions[EXTENSION])


def current_person() -> Administrator | MachineAgent:
    """Who asks; only where `access` lets nobody in without a token."""
    return cast(Administrator | MachineAgent, g.who)
