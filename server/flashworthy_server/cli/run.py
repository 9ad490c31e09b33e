"""Set up and serve."""

import click

from flashworthy_server import schema
from flashworthy_server.cli.frame import database_option
from flashworthy_server.config import config_from
from flashworthy_server.services.judgement import renew_outdated
from flashworthy_server.site import open_site


@click.command
@database_option
def migrate(url: str) -> None:
    """Bring the database to what this program needs; makes it where there is none."""
    site = open_site(config_from({"database": url}))
    try:
        schema.migrate(site.database)
        renew_outdated(site)
    finally:
        site.database.close()
    click.echo(f"{url} is ready")


@click.command
@database_option
@click.option("--host", default="127.0.0.1", show_default=True, help="Address to listen on.")
@click.option("--port", default=8470, show_default=True, type=click.IntRange(0, 65535))
def serve(url: str, host: str, port: int) -> None:
    """Serve the API until Ctrl-C.

    It speaks plain HTTP: put a proxy with TLS before it, unless it listens on loopback only.
    """
    from flashworthy_server.serving import (
        Server,  # here: only this command needs the web's libraries
    )

    site = open_site(config_from({"database": url}))
    try:
        schema.require_current(site.database)  # fails here, in one line, and not in the worker
    finally:
        site.database.close()
    Server(url, host, port).run()
