"""Releases: what makers published."""

import json
from pathlib import Path
from typing import Any

import click

from flashworthy_common.reasons import highest
from flashworthy_common.releases import Release, ReleaseState
from flashworthy_server.answers import ComparedSchema, ImportedSchema, ReleaseSchema
from flashworthy_server.cli.files import read_document
from flashworthy_server.cli.frame import FAILURE, NUMBER, json_option, print_json, who, with_site
from flashworthy_server.cli.text import print_table, printable, show_progress
from flashworthy_server.documents import COLUMNS, write_csv
from flashworthy_server.errors import BadRowsError
from flashworthy_server.services import releases as service
from flashworthy_server.services.releases import Imported, ReleaseFilters
from flashworthy_server.site import Site

STATES = click.Choice([each.value for each in ReleaseState])


@click.group
def releases() -> None:
    """What makers published."""


@releases.command("import")
@with_site
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--dry-run", is_flag=True, help="Only show what would change.")
@json_option
def import_releases(site: Site, file: Path, dry_run: bool, as_json: bool) -> None:
    """Record FILE, JSON or CSV: all of it, or nothing.

    JSON holds {"releases": [...], "reviews": [...], "advisories": [...]}; a file that ends in .csv
    has one release a line (see: flashworthy-server releases columns).
    """
    document = read_document(file, site.config.import_body_bytes)
    try:
        imported = service.import_document(
            site, who(), document, dry_run=dry_run, progress=show_progress
        )
    except BadRowsError as error:
        print_bad_rows(f"{file}: ", error)
        click.get_current_context().exit(FAILURE)
    if as_json:
        print_json((ComparedSchema() if dry_run else ImportedSchema()).dump(imported))
        return
    if dry_run:
        _print_changes(imported)
    _print_tallies(imported)


@releases.command("export")
@with_site
@click.option("--csv", "as_csv", is_flag=True, help="The releases alone, as CSV.")
def export(site: Site, as_csv: bool) -> None:
    """Print everything as a document that can be imported."""
    if as_csv:
        found = service.all_releases(site, ReleaseFilters())
        for line in write_csv(each.release for each in found):
            click.echo(line, nl=False)
    else:
        print_json(service.export_document(site))


@releases.command("list")
@with_site
@click.option("--maker")
@click.option("--state", type=STATES)
@click.option("--advisory", help="Those that close this hole.")
@click.option("--text", help="Somewhere in what is recorded of them.")
@json_option
def list_releases(site: Site, as_json: bool, **wanted: Any) -> None:
    """List the recorded releases."""
    found = service.all_releases(site, ReleaseFilters(**wanted))
    if as_json:
        print_json(ReleaseSchema(many=True).dump(found))
        return
    print_table(
        ("#", "maker", "version", "of", "models", "state", "for"),
        [
            (
                each.id,
                each.maker,
                each.release.version_text,
                each.release.released_on,
                ", ".join(each.release.models),
                each.release.state.value,
                _reasons(each.release),
            )
            for each in found
        ],
        none="no release is recorded",
    )


@releases.command("state")
@with_site
@click.argument("number", type=NUMBER)
@click.argument("state", type=STATES)
@click.option("--reason", default="", help="Why; asked for where it is withdrawn.")
def change_state(site: Site, number: int, state: str, reason: str) -> None:
    """Say that release NUMBER is offered, superseded or withdrawn."""
    try:
        changed = service.change_state(site, who(), number, ReleaseState(state), reason)
    except BadRowsError as error:
        print_bad_rows("", error)
        click.get_current_context().exit(FAILURE)
    click.echo(printable(f"{changed.maker} {changed.release.version_text} is {state}"))


@releases.command("remove")
@with_site
@click.argument("number", type=NUMBER)
@click.option("--reason", required=True, help="Why it should never have been recorded.")
@click.option("--anyway", is_flag=True, help="You know what rests on it.")
def remove(site: Site, number: int, reason: str, anyway: bool) -> None:
    """Remove release NUMBER; one that its maker took back is withdrawn instead."""
    service.remove_release(site, who(), number, reason, anyway=anyway)
    click.echo(f"release #{number} is removed")


@releases.command("columns")
def columns() -> None:
    """Explain the columns of a CSV file."""
    print_table(
        ("column", "holds"), [(each.name, each.about) for each in COLUMNS], none="no columns"
    )


def print_bad_rows(prefix: str, error: BadRowsError) -> None:
    """What is wrong, a line each, on standard error."""
    click.echo(f"{prefix}{error}", err=True)
    for row in error.rows:
        line = f"line {row.line}, " if row.line is not None else ""
        where = f"{row.where}: " if row.where else ""
        click.echo(f"  {line}{printable(f'{where}{row.reason}')}", err=True)


def _print_tallies(imported: Imported) -> None:
    for name, tally in ImportedSchema().dump(imported).items():
        if any(tally.values()):
            click.echo(f"{name}: " + ", ".join(f"{count} {word}" for word, count in tally.items()))


def _print_changes(imported: Imported) -> None:
    for change in imported.changes:
        sign = "+" if change.is_new else "~"
        click.echo(printable(f"{sign} {change.kind} {change.what}"))
        for each in change.differences:
            before, after = (
                json.dumps(value, ensure_ascii=False) for value in (each.before, each.after)
            )
            click.echo(printable(f"    {each.field}: {before} -> {after}"))
    click.echo("nothing was recorded: this is what an import would do")


def _reasons(release: Release) -> str:
    priority = highest(release.reasons)
    kinds = ", ".join(dict.fromkeys(each.kind.value for each in release.reasons))
    return f"{kinds} ({priority.value})" if priority else kinds
