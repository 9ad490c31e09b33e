"""How long reports are kept."""

import click

from flashworthy_server.cli.frame import json_option, print_json, who, with_site
from flashworthy_server.cli.text import print_table
from flashworthy_server.services import history as service
from flashworthy_server.site import Site

_KIB = 1024  # bytes


@click.group
def history() -> None:
    """The reports that are kept, by month."""


@history.command("show")
@with_site
@json_option
def show(site: Site, as_json: bool) -> None:
    """List the months of which reports are kept; reads all of them."""
    found = service.months(site)
    if as_json:
        months = [
            {"month": f"{each.first:%Y-%m}", "reports": each.reports, "body_bytes": each.body_bytes}
            for each in found
        ]
        print_json({"history_months": site.config.history_months, "months": months})
        return
    kept = site.config.history_months
    click.echo(f"kept: {kept} whole months and this one" if kept else "kept: all reports")
    print_table(
        ("month", "reports", "KiB"),
        [(f"{each.first:%Y-%m}", each.reports, each.body_bytes // _KIB) for each in found],
        none="no reports",
    )


@history.command("trim")
@with_site
@click.option(
    "--keep-months",
    "months",
    required=True,
    type=click.IntRange(min=1),
    help="Whole months that stay, beside the one under way.",
)
@click.option("--dry-run", is_flag=True, help="Say what would go, and remove nothing.")
def trim(site: Site, months: int, dry_run: bool) -> None:
    """Remove old reports now.

    What a machine is now, its firmware changes, its flashes and the audit trail stay. The server
    does the same by itself where the setting history_months says so.
    """
    if dry_run:
        before = service.first_kept(site, months)
        going = [each for each in service.months(site) if each.first < before]
        count = sum(each.reports for each in going)
        click.echo(f"{count} reports that came before {before} would be removed")
        return
    before = service.trim(site, who(), months)
    click.echo(f"reports that came before {before} are removed")
