"""What reasons are weighed by."""

from pathlib import Path
from typing import Any

import click

from flashworthy_common.ssvc import Exploitation
from flashworthy_server.answers import AdvisorySchema, CatalogueSchema, InputSchema
from flashworthy_server.cli.files import read_json
from flashworthy_server.cli.frame import FAILURE, json_option, print_json, who, with_site
from flashworthy_server.cli.releases import print_bad_rows
from flashworthy_server.cli.text import print_table, show_progress
from flashworthy_server.errors import BadRowsError
from flashworthy_server.services import weighing as service
from flashworthy_server.services.weighing import Input
from flashworthy_server.site import Site

MOST_ROWS = 1000


@click.group
def weighing() -> None:
    """How reasons get their priority at this site."""


@weighing.command("show")
@with_site
@json_option
def show(site: Site, as_json: bool) -> None:
    """Show the site's inputs, and where their defaults come from."""
    _print_inputs(service.inputs_of(site), as_json)


@weighing.command("set")
@with_site
@click.argument("inputs", nargs=-1, required=True, metavar="NAME=VALUE...")
@json_option
def set_inputs(site: Site, inputs: tuple[str, ...], as_json: bool) -> None:
    """Set some inputs, such as human_impact=high; needs are worked out anew at once."""
    data = {
        name.strip(): _value(text.strip())
        for name, _, text in (each.partition("=") for each in inputs)
    }
    try:
        found = service.set_inputs(site, who(), data, progress=show_progress)
    except BadRowsError as error:
        print_bad_rows("", error)
        click.get_current_context().exit(FAILURE)
    _print_inputs(found, as_json)


@click.group
def advisories() -> None:
    """What is known of single holes."""


@advisories.command("record")
@with_site
@click.argument("id_", metavar="ID")
@click.option(
    "--exploitation",
    type=click.Choice([each.value for each in Exploitation]),
    help="As its source states it.",
)
@click.option("--automatable/--not-automatable", default=None)
@click.option("--cvss", default="", help="CVSS vector; its severity is told, never weighed.")
@click.option("--source", default="", help="Where that can be read.")
def record(
    site: Site, id_: str, exploitation: str | None, automatable: bool | None, cvss: str, source: str
) -> None:
    """Record what is known of advisory ID, in place of what was."""
    advisory = {
        "id": id_,
        "exploitation": exploitation,
        "automatable": automatable,
        "cvss_vector": cvss,
        "source": source,
    }
    try:
        tally = service.record_advisory(site, who(), advisory)
    except BadRowsError as error:
        print_bad_rows("", error)
        click.get_current_context().exit(FAILURE)
    click.echo(f"{id_} is {'known as it was' if tally.unchanged else 'recorded'}")


@advisories.command("list")
@with_site
@json_option
def list_advisories(site: Site, as_json: bool) -> None:
    """List the advisories."""
    found, _ = service.list_advisories(site, after="", count=MOST_ROWS)
    rows = AdvisorySchema(many=True).dump(found)
    if as_json:
        print_json(rows)
        return
    print_table(
        ("advisory", "exploitation", "automatable", "severity", "source"),
        [
            (
                each["id"],
                each["exploitation"],
                {True: "yes", False: "no", None: None}[each["automatable"]],
                each["severity"],
                each["source"],
            )
            for each in rows
        ],
        none="no advisory is recorded",
    )


@click.group
def exploited() -> None:
    """The catalogue of known exploited holes."""


@exploited.command("import")
@with_site
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--dry-run", is_flag=True, help="Only show what would change.")
@json_option
def import_exploited(site: Site, file: Path, dry_run: bool, as_json: bool) -> None:
    """Record FILE, a KEV catalogue in JSON, in place of the one before."""
    data = read_json(file, site.config.import_body_bytes)
    try:
        found = service.import_exploited(site, who(), data, dry_run=dry_run, progress=show_progress)
    except BadRowsError as error:
        print_bad_rows(f"{file}: ", error)
        click.get_current_context().exit(FAILURE)
    if as_json:
        print_json(CatalogueSchema().dump(found))
        return
    click.echo(
        f"catalogue {found.version} of {found.released_at}: {found.count} holes, "
        f"{found.added} more and {found.removed} fewer than before"
    )
    click.echo(f"closed by recorded releases: {', '.join(found.named) or 'none of them'}")
    if dry_run:
        click.echo("nothing was recorded: this is what an import would do")


@exploited.command("show")
@with_site
@json_option
def show_exploited(site: Site, as_json: bool) -> None:
    """Show which catalogue is recorded."""
    found = service.catalogue_of(site)
    if as_json:
        print_json(CatalogueSchema().dump(found) if found else None)
    elif found is None:
        click.echo("no catalogue is recorded")
    else:
        click.echo(f"catalogue {found.version} of {found.released_at}: {found.count} holes")
        click.echo(f"closed by recorded releases: {', '.join(found.named) or 'none of them'}")


def _value(text: str) -> Any:
    """`yes` and `no` are flags, everything else is a word."""
    return {"yes": True, "no": False}.get(text, text)


def _print_inputs(inputs: list[Input], as_json: bool) -> None:
    if as_json:
        print_json(InputSchema(many=True).dump(inputs))
        return
    print_table(
        ("input", "value", "default", "why", "source of the default"),
        [
            (each.name, _word(each.value), _word(each.default), each.why, each.source)
            for each in inputs
        ],
        none="no inputs",
    )


def _word(value: Any) -> str:
    return (
        {True: "yes", False: "no"}.get(value, str(value)) if isinstance(value, bool) else str(value)
    )
