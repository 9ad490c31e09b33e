"""Set up and serve."""

from typing import Any

import click
from gunicorn.app.base import BaseApplication

from flashworthy_server import create_app, schema
from flashworthy_server.api.context import EXTENSION
from flashworthy_server.cli.frame import database_option
from flashworthy_server.config import config_from
from flashworthy_server.services.judgement import renew_outdated
from flashworthy_server.site import open_site

WORKERS = 1  # processes: one writer per SQLite file
THREADS = 8  # requests at the same time
TIMEOUT_SECONDS = 30  # after which a worker that hangs is replaced
KEEP_ALIVE_SECONDS = 5  # an idle connection is kept this long
GRACE_SECONDS = 10  # for requests under way, when asked to stop
LONGEST_REQUEST_LINE = 8190  # bytes


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
    create_app({"database": url}).extensions[EXTENSION].database.close()  # fails here, in one line
    _Server(url, host, port).run()


class _Server(BaseApplication):
    """gunicorn with the settings above; the site is opened in the worker, after the fork."""

    def __init__(self, url: str, host: str, port: int) -> None:
        self.url, self.address = url, f"{host}:{port}"
        super().__init__()

    def load_config(self) -> None:
        for name, value in {
            "bind": self.address,
            "worker_class": "gthread",
            "workers": WORKERS,
            "threads": THREADS,
            "timeout": TIMEOUT_SECONDS,
            "keepalive": KEEP_ALIVE_SECONDS,
            "graceful_timeout": GRACE_SECONDS,
            "limit_request_line": LONGEST_REQUEST_LINE,
            "control_socket_disable": True,
        }.items():
            self.cfg.set(name, value)

    def load(self) -> Any:
        return create_app({"database": self.url})
