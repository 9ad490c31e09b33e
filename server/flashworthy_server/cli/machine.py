"""One machine: entered by hand, and what asks for attention on it."""

from datetime import datetime
from typing import Any

import click

from flashworthy_common.attention import AttentionCode
from flashworthy_common.chassis import Kind
from flashworthy_common.entered import Entry
from flashworthy_server.cli.frame import who, with_site
from flashworthy_server.services import resting
from flashworthy_server.services.entry import enter_machine
from flashworthy_server.services.machines import machine_id_of
from flashworthy_server.site import Site


@click.group
def machine() -> None:
    """A machine without an agent."""


@machine.command("enter")
@with_site
@click.argument("name")
@click.option("--maker", required=True)
@click.option("--model", "product", required=True)
@click.option("--runs", "version_text", help="The firmware version as its setup screen has it.")
@click.option("--of", "date_text", help="The date that stands beside it.")
@click.option("--kind", type=click.Choice([each.value for each in Kind]))
@click.option("--board")
@click.option("--order-code", "sku")
@click.option("--serial", "system_serial")
@click.option("--place")
@click.option("--mains/--no-mains", default=None, help="Whether you saw it plugged in.")
@click.option("--battery/--no-battery", "has_battery", default=None)
@click.option("--battery-percent", type=click.FloatRange(0, 100))
def enter(site: Site, kind: str | None, **said: Any) -> None:
    """Enter machine NAME, or say anew what you saw of it; what you do not say is unknown."""
    entry = Entry(kind=Kind(kind) if kind else None, **said)
    receipt = enter_machine(site, who(), entry)
    click.echo(f"{entry.name} is entered as machine #{receipt.machine_id}")


@click.group
def attention() -> None:
    """What asks for attention on a machine."""


_code = click.argument("code", type=click.Choice([each.value for each in AttentionCode]))


@attention.command("rest")
@with_site
@click.argument("name")
@_code
@click.option("--until", required=True, type=click.DateTime(["%Y-%m-%d"]), help="Its last day.")
@click.option("--reason", required=True)
def rest(site: Site, name: str, code: str, until: datetime, reason: str) -> None:
    """Let CODE of machine NAME (or #number) rest until a day."""
    machine_id = machine_id_of(site, name)
    resting.let_rest(site, who(), machine_id, AttentionCode(code), reason, until.date())
    click.echo(f"{code} of {name} rests until {until.date()}")


@attention.command("ask-again")
@with_site
@click.argument("name")
@_code
def ask_again(site: Site, name: str, code: str) -> None:
    """Let CODE of machine NAME ask for attention again at once."""
    resting.ask_again(site, who(), machine_id_of(site, name), AttentionCode(code))
    click.echo(f"{code} of {name} asks for attention again")
