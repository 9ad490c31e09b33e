"""Set up and serve."""

from typing import Any

import click

from flashworthy_server import schema
from flashworthy_server.cli.frame import with_settings
from flashworthy_server.config import config_from
from flashworthy_server.services.history import make_room
from flashworthy_server.services.judgement import renew_by_present_rules
from flashworthy_server.site import open_site


@click.command
@with_settings
def migrate(settings: dict[str, Any]) -> None:
    """Bring the database to what this program needs; makes it where there is none."""
    site = open_site(config_from(settings))
    try:
        schema.migrate(site.database)
        make_room(site)
        renew_by_present_rules(site)
    finally:
        site.database.close()
    click.echo(f"{site.database.name} is ready")


@click.command
@with_settings
@click.option("--host", default="127.0.0.1", show_default=True, help="Address to listen on.")
@click.option("--port", default=8470, show_default=True, type=click.IntRange(0, 65535))
@click.option("--workers", type=click.IntRange(1, 64), help="Processes that serve.")
@click.option("--threads", type=click.IntRange(1, 256), help="Requests of each at the same time.")
def serve(settings: dict[str, Any], host: str, port: int, **given: int | None) -> None:
    """Serve the pages and the API until Ctrl-C.

    It speaks plain HTTP: put a proxy with TLS before it, unless it listens on loopback only.
    """
    from flashworthy_server.serving import (
        Server,  # here: only this command needs the web's libraries
    )

    settings |= {name: number for name, number in given.items() if number is not None}
    site = open_site(config_from(settings))
    try:
        schema.require_current(site.database)  # fails here, in one line, and not in the worker
    finally:
        site.database.close()
    Server(settings, host, port).run()
