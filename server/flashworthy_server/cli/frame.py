"""What all commands share: where the database is, JSON or not, and how a failure ends."""

import functools
import getpass
import json
import os
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import click
from click.core import ParameterSource
from sqlalchemy.exc import DBAPIError

from flashworthy_common.errors import FlashworthyError
from flashworthy_server import schema
from flashworthy_server.config import Config, config_from, load_settings
from flashworthy_server.errors import ConfigurationError
from flashworthy_server.services.machines import HIGHEST_ID
from flashworthy_server.services.who import Who, at_the_terminal
from flashworthy_server.site import Clock, open_site, system_clock

DATABASE_VARIABLE = "FLASHWORTHY_DATABASE"
SETTINGS_VARIABLE = "FLASHWORTHY_SETTINGS"
PACKAGES_VARIABLE = "FLASHWORTHY_PACKAGES"  # the folder of kept packages
FAILURE = 1  # exit status
_PASSWORD = re.compile(r"://[^/@]*:[^/@]+@")


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


_database_option = click.option(
    "--database",
    "url",
    envvar=DATABASE_VARIABLE,
    show_envvar=True,
    help="SQLAlchemy URL; a relative path begins in the working folder."
    f"  [default: {Config().database}]",
)
_settings_option = click.option(
    "--settings",
    "settings_file",
    envvar=SETTINGS_VARIABLE,
    show_envvar=True,
    type=click.Path(path_type=Path),
    help="TOML file of settings, such as public_url.",
)
NUMBER = click.IntRange(1, HIGHEST_ID)  # of something that is stored
json_option = click.option("--json", "as_json", is_flag=True, help="Print JSON, for programs.")


def with_settings(command: Callable[..., None]) -> Callable[..., None]:
    """Give a command the `settings` that file, environment and --database say, by name."""

    @_database_option
    @_settings_option
    @functools.wraps(command)
    def told(url: str | None, settings_file: Path | None, **options: Any) -> None:
        settings = load_settings(settings_file) if settings_file else {}
        if packages := os.environ.get(PACKAGES_VARIABLE):
            settings["packages"] = packages
        if url is not None:
            elsewhere = f"{DATABASE_VARIABLE} or in a file of --settings"
            require_hidden_password(url, "url", "--database", elsewhere)
            settings["database"] = url
        command(settings, **options)

    return told


def with_site(command: Callable[..., None]) -> Callable[..., None]:
    """Give a command the `site` of its settings, and close it afterwards.

    Its clock is the context's object; without one, the system's.
    """

    @with_settings
    @functools.wraps(command)
    def opened(settings: dict[str, Any], **options: Any) -> None:
        clock: Clock = click.get_current_context().obj or system_clock
        site = open_site(config_from(settings), clock)
        try:
            schema.require_current(site.database)
            command(site, **options)
        finally:
            site.database.close()

    return opened


def require_hidden_password(url: str, parameter: str, option: str, elsewhere: str) -> None:
    """Refuse a URL in which everyone on this machine can read a password, and say where to."""
    source = click.get_current_context().get_parameter_source(parameter)
    if source is ParameterSource.COMMANDLINE and _PASSWORD.search(url):
        raise ConfigurationError(
            f"{option} shows its password to everyone on this machine: name the database by"
            f" {elsewhere}"
        )


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
