"""People's accounts at the terminal: the first administrator, and the way back in."""

import click

from flashworthy_server.cli.frame import json_option, print_json, who, with_site
from flashworthy_server.cli.text import print_table
from flashworthy_server.services import accounts
from flashworthy_server.services.accounts import Account, SetUpCode
from flashworthy_server.services.who import PEOPLE, Role
from flashworthy_server.site import Site

ROLE = click.Choice([role.value for role in PEOPLE])


@click.group
def account() -> None:
    """People's accounts."""


@account.command("new")
@with_site
@click.argument("name")
@click.option("--role", type=ROLE, default=Role.VIEWER.value, show_default=True)
@json_option
def new(site: Site, name: str, role: str, as_json: bool) -> None:
    """Add NAME; prints the code with which they set their password, once.

    The first account is an administrator's: flashworthy-server account new NAME --role
    administrator
    """
    _print_code(accounts.add(site, who(), name, Role(role)), as_json)


@account.command("reset")
@with_site
@click.argument("name")
@click.option("--drop-second-factor", is_flag=True, help="It is lost, and its recovery codes too.")
@json_option
def reset(site: Site, name: str, drop_second_factor: bool, as_json: bool) -> None:
    """Print a code with which NAME sets a new password; the present one ends at once."""
    found = accounts.account_named(site, name)
    made = accounts.reset(site, who(), found.id, drop_second_factor=drop_second_factor)
    _print_code(made, as_json)


@account.command("disable")
@with_site
@click.argument("name")
def disable(site: Site, name: str) -> None:
    """Keep NAME out: sessions end, and tokens are worth nothing."""
    found = accounts.account_named(site, name)
    accounts.disable(site, who(), found.id)
    click.echo(f"{found.name} is disabled")


@account.command("list")
@with_site
def list_all(site: Site) -> None:
    """List accounts, and what lets them in."""
    print_table(
        ("name", "role", "signs in with"),
        [(each.name, each.role, _way_in(each)) for each in accounts.all_accounts(site)],
        none="there is no account yet",
    )


def _way_in(account: Account) -> str:
    if account.disabled_at is not None:
        return "nothing: disabled"
    if account.password_hash is None:
        return "nothing yet: a code was made"
    return "password and second factor" if account.totp_secret else "password"


def _print_code(made: SetUpCode, as_json: bool) -> None:
    if as_json:
        print_json({"name": made.name, "code": made.code, "hours": made.hours})
        return
    click.echo(made.code)
    text = f"{made.name!r} sets a password with it on the page /set-up, within {made.hours} hours"
    click.echo(text, err=True)
