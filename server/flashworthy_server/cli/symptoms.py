"""Symptoms: what one machine shows, by a person's word."""

import click

from flashworthy_common.values import write_time
from flashworthy_server.answers import SymptomSchema
from flashworthy_server.cli.frame import FAILURE, NUMBER, json_option, print_json, who, with_site
from flashworthy_server.cli.releases import print_bad_rows
from flashworthy_server.cli.text import print_table
from flashworthy_server.errors import BadRowsError
from flashworthy_server.services import symptoms as service
from flashworthy_server.services.machines import machine_id_of
from flashworthy_server.site import Site


@click.group
def symptoms() -> None:
    """What a machine shows; a release that mends it becomes a reason."""


@symptoms.command("add")
@with_site
@click.argument("name")
@click.argument("says")
def add(site: Site, name: str, says: str) -> None:
    """Record what machine NAME (or #number) shows, such as "wakes with a dark screen"."""
    try:
        made = service.add_symptom(site, who(), machine_id_of(site, name), says)
    except BadRowsError as error:
        print_bad_rows("", error)
        click.get_current_context().exit(FAILURE)
    click.echo(f"symptom #{made.id} of {name} is recorded")


@symptoms.command("list")
@with_site
@click.argument("name")
@json_option
def list_symptoms(site: Site, name: str, as_json: bool) -> None:
    """List what machine NAME (or #number) shows and showed, newest first."""
    found = service.symptoms_of(site, machine_id_of(site, name))
    if as_json:
        print_json(SymptomSchema(many=True).dump(found))
        return
    print_table(
        ("#", "shows", "recorded by", "at", "no longer since"),
        [
            (
                each.id,
                each.symptom.says,
                each.symptom.recorded_by,
                write_time(each.symptom.recorded_at),
                each.ended_at and write_time(each.ended_at),
            )
            for each in found
        ],
        none="nothing is recorded of it",
    )


@symptoms.command("end")
@with_site
@click.argument("name")
@click.argument("number", type=NUMBER)
def end(site: Site, name: str, number: int) -> None:
    """Say that machine NAME no longer shows symptom NUMBER."""
    service.end_symptom(site, who(), machine_id_of(site, name), number)
    click.echo(f"symptom #{number} of {name} has ended")
