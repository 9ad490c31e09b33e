"""Flashes: started and done by a person's word, closed by the machine's own report."""

import click

from flashworthy_common.readiness import Outcome
from flashworthy_common.values import write_time
from flashworthy_server.answers import FlashSchema
from flashworthy_server.cli.frame import json_option, print_json, who, with_site
from flashworthy_server.cli.text import print_table
from flashworthy_server.services import flashes as service
from flashworthy_server.services.machines import machine_id_of
from flashworthy_server.site import Site


@click.group
def flash() -> None:
    """Record that a flash was started; the machine's own report says what came of it."""


@flash.command("start")
@with_site
@click.argument("name")
@click.option("--to", "to_text", help="The version; else the next step of its path.")
def start(site: Site, name: str, to_text: str | None) -> None:
    """Record that a flash of machine NAME (or #number) is started now."""
    made = service.start_flash(site, who(), machine_id_of(site, name), to_text)
    click.echo(
        f"flash #{made.id} of {name}: {made.flash.from_text} -> {made.flash.to_text}, expected "
        f"back by {made.flash.expected_at:%Y-%m-%d %H:%M} UTC"
    )
    if made.outcome is not Outcome.CLEAR:
        click.echo(f"the verdict on the spot is {made.outcome.value} at this moment")


@flash.command("done")
@with_site
@click.argument("name")
def done(site: Site, name: str) -> None:
    """Record that the flash of machine NAME is done, by your word; its report closes it."""
    made = service.note_done(site, who(), machine_id_of(site, name))
    click.echo(f"flash #{made.id} of {name} is done by your word; its own report closes it")


@flash.command("give-up")
@with_site
@click.argument("name")
@click.option("--reason", required=True, help="Why it could not be done.")
def give_up(site: Site, name: str, reason: str) -> None:
    """Record that the flash of machine NAME that was started could not be done."""
    made = service.give_up(site, who(), machine_id_of(site, name), reason)
    click.echo(f"flash #{made.id} of {name} is given up: {made.given_up_because}")


@flash.command("list")
@with_site
@click.argument("name")
@json_option
def list_flashes(site: Site, name: str, as_json: bool) -> None:
    """List the flashes of machine NAME (or #number), newest first, and what came of each."""
    found = service.flashes_of(site, machine_id_of(site, name))
    if as_json:
        print_json(FlashSchema(many=True).dump(found))
        return
    print_table(
        ("#", "from", "to", "by", "started", "result", "what came of it"),
        [
            (
                each.id,
                each.flash.from_text,
                each.flash.to_text,
                each.flash.by,
                write_time(each.flash.started_at),
                each.found and each.found.result.value,
                each.found.says if each.found else each.given_up_because,
            )
            for each in found
        ],
        none="none was started",
    )
