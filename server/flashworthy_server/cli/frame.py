"""What all commands share: where the database is, JSON or not, and how a failure ends."""

import functools
import getpass
import json
import os
from collections.abc import Callable
from typing import Any

import click
from sqlalchemy.exc import DBAPIError

from flashworthy_common.errors import FlashworthyError
from flashworthy_server import schema
from flashworthy_server.config import Config, config_from
from flashworthy_server.services.who import Who, at_the_terminal
from flashworthy_server.site import Clock, open_site, system_clock

DATABASE_VARIABLE = "FLASHWORTHY_DATABASE"
FAILURE = 1  # exit status


class Group(click.Group):
    """A group whose commands end with one plain line and exit status 1 where they fail."""

    def invoke(self, ctx: click.Context) -> Any:
        try:
            return super().invoke(ctx)
        except FlashworthyError as error:
            message = str(error)
        except DBAPIError as error:
            message = f"the database fails: {error.orig}"
        click.echo(f"flashworthy-server: {message}", err=True)
        return ctx.exit(FAILURE)


database_option = click.option(
    "--database",
    "url",
    envvar=DATABASE_VARIABLE,
    default=Config().database,
    show_default=True,
    show_envvar=True,
    help="SQLAlchemy URL; a relative path begins in the working folder.",
)
json_option = click.option("--json", "as_json", is_flag=True, help="Print JSON, for programs.")


def with_site(command: Callable[..., None]) -> Callable[..., None]:
    """Give a command the `site` of its --database, and close it afterwards.

    Its clock is the context's object; without one, the system's.
    """

    @database_option
    @functools.wraps(command)
    def opened(url: str, **options: Any) -> None:
        clock: Clock = click.get_current_context().obj or system_clock
        site = open_site(config_from({"database": url}), clock)
        try:
            schema.require_current(site.database)
            command(site, **options)
        finally:
            site.database.close()

    return opened


def who() -> Who:
    """The user of the system who runs the command: the one behind sudo, where it says so."""
    try:
        user = getpass.getuser()
    except (OSError, KeyError):  # a user id without a name
        user = f"uid {os.getuid()}"
    behind = os.environ.get("SUDO_USER")
    return at_the_terminal(f"{behind} as {user}" if behind else user)


def print_json(answer: Any) -> None:
    click.echo(json.dumps(answer, indent=2, ensure_ascii=False))
