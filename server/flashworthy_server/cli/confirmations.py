"""Confirmations: what no agent can see of a machine, by a person's word."""

import click

from flashworthy_common.confirmations import Confirmed
from flashworthy_common.values import write_time
from flashworthy_server.answers import ConfirmationSchema
from flashworthy_server.cli.frame import json_option, print_json, who, with_site
from flashworthy_server.cli.text import print_table
from flashworthy_server.services import confirmations as service
from flashworthy_server.services.machines import machine_id_of
from flashworthy_server.site import Site


@click.group
def confirmations() -> None:
    """What no agent can see of a machine, such as a recovery key that was proven readable."""


@confirmations.command("add")
@with_site
@click.argument("name")
@click.argument("what", type=click.Choice([each.value for each in Confirmed]))
@click.option("--of", help="What the word speaks of, where there are several such things.")
def add(site: Site, name: str, what: str, of: str | None) -> None:
    """Confirm WHAT of machine NAME (or #number), as it is now."""
    made = service.confirm(site, who(), machine_id_of(site, name), Confirmed(what), of)
    about = f" of {made.confirmation.of}" if made.confirmation.of else ""
    click.echo(f"confirmation #{made.id}: {what}{about}, by {made.confirmation.by}")


@confirmations.command("list")
@with_site
@click.argument("name")
@json_option
def list_confirmations(site: Site, name: str, as_json: bool) -> None:
    """List what was ever confirmed of machine NAME (or #number), newest first."""
    found = service.confirmations_of(site, machine_id_of(site, name))
    if as_json:
        print_json(ConfirmationSchema(many=True).dump(found))
        return
    print_table(
        ("#", "what", "of", "by", "at", "withdrawn"),
        [
            (
                each.id,
                each.confirmation.what.value,
                each.confirmation.of,
                each.confirmation.by,
                write_time(each.confirmation.at),
                each.withdrawn_at and write_time(each.withdrawn_at),
            )
            for each in found
        ],
        none="nothing is confirmed of it",
    )


@confirmations.command("withdraw")
@with_site
@click.argument("name")
@click.argument("number", type=int)
def withdraw(site: Site, name: str, number: int) -> None:
    """Take back confirmation NUMBER of machine NAME."""
    service.withdraw(site, who(), machine_id_of(site, name), number)
    click.echo(f"confirmation #{number} of {name} is withdrawn")
