"""Reviews: somebody read a maker's page."""

from datetime import datetime

import click

from flashworthy_common.reasons import ReasonKind
from flashworthy_common.values import write_time
from flashworthy_server.answers import ImportedSchema, ReviewSchema
from flashworthy_server.cli.frame import FAILURE, json_option, print_json, who, with_site
from flashworthy_server.cli.releases import print_bad_rows
from flashworthy_server.cli.text import print_table
from flashworthy_server.errors import BadRowsError
from flashworthy_server.services import reviews as service
from flashworthy_server.site import Site

MOST_ROWS = 1000
DATE = click.DateTime(["%Y-%m-%d"])


@click.group
def review() -> None:
    """Who read which maker's page; what nobody has read is the worklist."""


@review.command("record")
@with_site
@click.option("--maker", required=True)
@click.option(
    "--model",
    "models",
    required=True,
    multiple=True,
    help="Product name, board or machine type; may be repeated.",
)
@click.option("--source", required=True, help="The page that was read, best as a link.")
@click.option("--newest", default="", help="The newest version on offer; left out: none is.")
@click.option("--released", type=DATE, help="Its date.")
@click.option("--reason", help="What it closes or mends; left out: the page states none.")
@click.option(
    "--kind",
    type=click.Choice([each.value for each in ReasonKind]),
    default="security",
    show_default=True,
    help="Of the reason.",
)
@click.option(
    "--advisory", "advisories", multiple=True, help="Id of a hole that it closes; may be repeated."
)
@click.option(
    "--symptom",
    "symptoms",
    multiple=True,
    help="What a machine with this fault shows; may be repeated.",
)
@click.option("--by", help="Who read it; left out: whoever runs the command.")
@json_option
def record(
    site: Site,
    as_json: bool,
    *,
    maker: str,
    models: tuple[str, ...],
    source: str,
    newest: str,
    released: datetime | None,
    reason: str | None,
    kind: str,
    advisories: tuple[str, ...],
    symptoms: tuple[str, ...],
    by: str | None,
) -> None:
    """Record what a maker's page offers, after reading it."""
    stated = reason and {
        "kind": kind,
        "says": reason,
        "source": source,
        "advisories": list(advisories),
        "symptoms": list(symptoms),
    }
    reading = {
        "machine_maker": maker,
        "models": list(models),
        "source": source,
        "newest_version_text": newest,
        "released_on": released.date().isoformat() if released else None,
        "reason": stated or None,
        "reviewed_by": by or "",
    }
    try:
        imported = service.record_reading(site, who(), reading)
    except BadRowsError as error:
        print_bad_rows("", error)
        click.get_current_context().exit(FAILURE)
    if as_json:
        print_json(ImportedSchema().dump(imported))
        return
    added = "; it is a release from now on" if imported.releases.added else ""
    click.echo(f"recorded: {maker} offers {newest or 'nothing'}{added if newest else ''}")


@review.command("list")
@with_site
@click.option("--maker")
@json_option
def list_reviews(site: Site, maker: str | None, as_json: bool) -> None:
    """List the reviews, newest first."""
    found, _ = service.list_reviews(site, maker=maker, before=None, count=MOST_ROWS)
    if as_json:
        print_json(ReviewSchema(many=True).dump(found))
        return
    print_table(
        ("when", "who", "maker", "models", "newest", "page"),
        [
            (
                write_time(each.review.reviewed_at),
                each.review.reviewed_by,
                each.maker,
                ", ".join(each.review.models),
                each.review.newest_version_text,
                each.review.source,
            )
            for each in found
        ],
        none="nobody has read a maker's page yet",
    )
