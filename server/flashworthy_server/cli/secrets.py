"""Codes and tokens: shown once, on standard output."""

import click

from flashworthy_common.values import write_time
from flashworthy_server.cli.account import ROLE
from flashworthy_server.cli.frame import json_option, print_json, who, with_site
from flashworthy_server.services import credentials
from flashworthy_server.services.who import Role
from flashworthy_server.site import Site

MOST_USES = 100_000
MOST_DAYS = 3650
DAYS = click.IntRange(1, MOST_DAYS)


@click.group
def code() -> None:
    """Enrolment codes: what lets a new agent join."""


@code.command("new")
@with_site
@click.option("--uses", default=1, show_default=True, type=click.IntRange(1, MOST_USES))
@click.option("--days", default=7, show_default=True, type=DAYS)
@click.option("--place", help='Where its machines stand, such as "Alder Lane / ground floor".')
@json_option
def new_code(site: Site, uses: int, days: int, place: str | None, as_json: bool) -> None:
    """Make a code for some machines, good for some days."""
    made = credentials.make_code(site, who(), uses=uses, days=days, place=place)
    if as_json:
        answer = {"code": made.code, "uses": made.uses, "place": made.place}
        print_json({**answer, "expires_at": write_time(made.expires_at)})
        return
    click.echo(made.code)
    click.echo(f"for {uses} machine(s), until {write_time(made.expires_at)}", err=True)


@click.group
def token() -> None:
    """Tokens, for programs."""


@token.command("new")
@with_site
@click.argument("name")
@click.option("--role", type=ROLE, default=Role.VIEWER.value, show_default=True)
@click.option("--days", default=90, show_default=True, type=DAYS)
@json_option
def new_token(site: Site, name: str, role: str, days: int, as_json: bool) -> None:
    """Make a token; it is shown this once."""
    made = credentials.make_token(site, who(), name, role=Role(role), days=days)
    if as_json:
        answer = {"name": made.name, "role": role, "token": made.token}
        print_json({**answer, "expires_at": write_time(made.expires_at)})
        return
    click.echo(made.token)
    click.echo(f"token {name!r} of a {role}, until {write_time(made.expires_at)}", err=True)


@token.command("revoke")
@with_site
@click.argument("name")
def revoke_token(site: Site, name: str) -> None:
    """Make a token worthless at once."""
    credentials.revoke_token(site, who(), name)
    click.echo(f"token {name!r} is revoked")
