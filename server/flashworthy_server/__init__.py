"""The server: keeps what agents report, judges it, and answers people.

Layers, each importing only what stands to its right:
``cli | api | pages -> web -> services -> store -> tables``.

- ``config``, ``errors``, ``site``: settings, failures, and what a use case needs from outside
- ``db``, ``schema``, ``tables``, ``migrations``: the database
- ``wire``, ``answers``: the contract, of what comes in and of what goes out
"""

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from flashworthy_server import schema
from flashworthy_server.config import config_from
from flashworthy_server.site import Clock, open_site, system_clock

if TYPE_CHECKING:
    from flask import Flask

__version__ = "0.1.0"


def create_app(config: Mapping[str, Any] | None = None, *, clock: Clock = system_clock) -> "Flask":
    """The server as a WSGI application.

    Args:
        config: settings by name (`flashworthy_server.config.Config`); the rest by default.
        clock: gives the time, aware; a test may freeze it.

    Raises:
        ConfigurationError: a setting is wrong.
        DatabaseError: the database is not there, or of another version.
    """
    # Imported here: the command line uses the rest of the package, and starts in half the time.
    from flashworthy_server.application import build

    site = open_site(config_from(config), clock)
    schema.require_current(site.database)
    return build(site)
