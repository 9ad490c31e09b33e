"""Move a site into another database."""

import click

from flashworthy_server.cli.frame import require_hidden_password, who, with_site
from flashworthy_server.cli.text import print_table, show_progress
from flashworthy_server.db import Database
from flashworthy_server.services import moving
from flashworthy_server.site import Site

_VARIABLE = "FLASHWORTHY_MOVE_TO"
_SHOWN_DIGITS = 16  # of a digest


@click.command
@with_site
@click.option(
    "--to",
    "target_url",
    envvar=_VARIABLE,
    show_envvar=True,
    required=True,
    help="URL of the new database: empty, or filled by an earlier move and not used since.",
)
def move(site: Site, target_url: str) -> None:
    """Copy the whole site into another database, and verify every row there.

    Stop the server first; while this runs, it answers 503. The old database stays as it is. Name
    the new one in the settings afterwards, and start the server.
    """
    require_hidden_password(target_url, "target_url", "--to", _VARIABLE)
    target = Database(target_url, site.config.database_wait_seconds)
    try:
        moved = moving.move(site, who(), target, show_progress)
    finally:
        target.close()
    rows = [
        (name, digest.rows, str(digest)[:_SHOWN_DIGITS])
        for name, digest in moved.tables.items()
        if digest.rows
    ]
    print_table(("table", "rows", "digest"), rows, none="no rows")
    click.echo(f"{moved.rows} rows are copied and verified; name the new database: {target.name}")
