"""The audit trail at the terminal."""

import re

import click

from flashworthy_common.values import write_time
from flashworthy_server.cli.frame import json_option, print_json, with_site
from flashworthy_server.cli.text import print_table
from flashworthy_server.services import audit as service
from flashworthy_server.services.audit import Filters
from flashworthy_server.site import Site

_NOTED = re.compile(r"(?P<number>[0-9]{1,18}):(?P<digest>[0-9a-f]{64})")


@click.group
def audit() -> None:
    """Who changed what, when, from where."""


@audit.command("verify")
@with_site
@click.option(
    "--noted",
    metavar="NUMBER:DIGEST",
    help="An entry as an earlier verify told it, to be found unchanged: shows a cut-off end.",
)
@json_option
def verify(site: Site, noted: str | None, as_json: bool) -> None:
    """Follow the chain of digests through every entry; fails where it breaks."""
    found = service.verify(site, noted=None if noted is None else _noted(noted))
    if as_json:
        print_json({"entries": found.entries, "digest": found.digest})
    else:
        click.echo(f"{found.entries} entries, none changed or missing; the last is")
        click.echo(f"{found.entries}:{found.digest}")


@audit.command("export")
@with_site
def export(site: Site) -> None:
    """Print every entry as one line of JSON, oldest first."""
    for line in service.json_lines(site):
        click.echo(line, nl=False)


@audit.command("list")
@with_site
@click.option("--who", help='Such as "person: ida".')
@click.option("--action", help="Such as machine.mark.")
@click.option("--subject", help='Such as "machine #12".')
@click.option("--count", default=50, show_default=True, type=click.IntRange(1, 1000))
def list_newest(site: Site, count: int, **wanted: str | None) -> None:
    """List the newest entries."""
    found, _ = service.newest_entries(site, Filters(**wanted), before=None, count=count)
    print_table(
        ("#", "at", "who", "from", "action", "subject", "before", "after"),
        [
            (
                entry.number,
                write_time(entry.at),
                entry.who,
                entry.address,
                entry.action,
                entry.subject,
                entry.before,
                entry.after,
            )
            for entry in found
        ],
        none="no such entry",
    )


def _noted(text: str) -> tuple[int, str]:
    match = _NOTED.fullmatch(text)
    if match is None:
        raise click.UsageError("--noted: expected NUMBER:DIGEST as verify tells it")
    return int(match["number"]), match["digest"]
