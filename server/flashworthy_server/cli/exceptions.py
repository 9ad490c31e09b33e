"""Exceptions: the site decides otherwise, until a date."""

from datetime import datetime
from typing import Any

import click

from flashworthy_common.exceptions import ExceptionKind, SiteException
from flashworthy_server.answers import ExceptionSchema
from flashworthy_server.cli.frame import FAILURE, NUMBER, json_option, print_json, who, with_site
from flashworthy_server.cli.releases import print_bad_rows
from flashworthy_server.cli.text import print_table, printable
from flashworthy_server.errors import BadRowsError
from flashworthy_server.services import exceptions as service
from flashworthy_server.services import machines as machine_service
from flashworthy_server.site import Site

MOST_ROWS = 1000
DATE = click.DateTime(["%Y-%m-%d"])


@click.group
def exceptions() -> None:
    """Where the site decides otherwise, with a reason, an owner and an end."""


@exceptions.command("add")
@with_site
@click.argument("kind", type=click.Choice([each.value for each in ExceptionKind]))
@click.option("--maker", help="May be left out with --machine.")
@click.option(
    "--model", "models", multiple=True, help="May be repeated; may be left out with --machine."
)
@click.option("--version", "version_text", default="", help="The release that it is about.")
@click.option(
    "--advisory", "advisories", multiple=True, help="A risk that is accepted; may be repeated."
)
@click.option(
    "--machine",
    "machines",
    multiple=True,
    help="Only this machine, by name or #number; may be repeated.",
)
@click.option("--reason", required=True)
@click.option("--owner", required=True, help="Who answers for it.")
@click.option("--until", required=True, type=DATE, help="The last day on which it holds.")
@json_option
def add(
    site: Site, kind: str, machines: tuple[str, ...], until: datetime, as_json: bool, **facts: Any
) -> None:
    """Make an exception: not-this-release, or risk-accepted."""
    ids = [machine_service.machine_id_of(site, each) for each in machines]
    maker, models = facts.pop("maker"), list(facts.pop("models"))
    if ids and not (maker and models):
        own_maker, own_models = machine_service.maker_and_models(site, ids)
        maker, models = maker or own_maker, models or own_models
    data = {
        "kind": kind,
        "machine_maker": maker or "",
        "models": models,
        "machine_ids": ids,
        "until": until.date().isoformat(),
        **facts,
        "advisories": list(facts["advisories"]),
    }
    try:
        made = service.add_exception(site, who(), data)
    except BadRowsError as error:
        print_bad_rows("", error)
        click.get_current_context().exit(FAILURE)
    if as_json:
        print_json(ExceptionSchema().dump(made))
    else:
        click.echo(f"exception #{made.id} holds until {made.exception.until}")


@exceptions.command("list")
@with_site
@click.option("--in-force", is_flag=True, help="Only those that hold today.")
@json_option
def list_exceptions(site: Site, in_force: bool, as_json: bool) -> None:
    """List the exceptions, newest first."""
    found, _ = service.list_exceptions(site, only_in_force=in_force, before=None, count=MOST_ROWS)
    if as_json:
        print_json(ExceptionSchema(many=True).dump(found))
        return
    now = site.clock()
    print_table(
        ("#", "what", "about", "for", "until", "owner", "reason"),
        [
            (
                each.id,
                each.exception.kind.value,
                _about(each.exception),
                _for(each.exception),
                _until(each, now),
                each.exception.owner,
                each.exception.reason,
            )
            for each in found
        ],
        none="no exception is recorded",
    )


@exceptions.command("end")
@with_site
@click.argument("number", type=NUMBER)
@click.option("--reason", required=True)
def end(site: Site, number: int, reason: str) -> None:
    """End exception NUMBER before its day."""
    service.end_exception(site, who(), number, reason)
    click.echo(printable(f"exception #{number} has ended"))


def _about(exception: SiteException) -> str:
    return ", ".join(filter(None, (exception.version_text, *exception.advisories)))


def _for(exception: SiteException) -> str:
    models = f"{exception.machine_maker} {', '.join(exception.models)}"
    machines = ", ".join(f"#{each}" for each in exception.machine_ids)
    return f"{models}: {machines}" if machines else models


def _until(stored: service.StoredException, now: datetime) -> str:
    if stored.ended_at:
        return f"{stored.ended_at.date()} (ended early)"
    ended = " (ended)" if stored.exception.ends_at <= now else ""
    return f"{stored.exception.until}{ended}"
