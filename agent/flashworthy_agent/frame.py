"""What options and environment name: the settings, and the agent's own folder."""

import argparse
import os
from pathlib import Path

from flashworthy_agent.config import Settings, load_settings
from flashworthy_agent.errors import ConfigError, StateError
from flashworthy_agent.places import CONFIG_FILE, STATE_FOLDER
from flashworthy_agent.state import StateFolder


def settings_of(options: argparse.Namespace) -> Settings:
    named = options.config_file or os.environ.get("FLASHWORTHY_CONFIG")
    if named and not Path(named).is_file():
        raise ConfigError(f"{named}: expected a file with the settings, and it is not there")
    default = CONFIG_FILE if is_this_machine(options) else None
    return load_settings(Path(named) if named else default, os.environ)


def state_folder(options: argparse.Namespace) -> StateFolder:
    """The agent's own folder.

    Raises:
        StateError: another root was named, whose machine this machine's agent must not speak for.
    """
    folder = own_folder(options)
    if folder is None:
        raise StateError(
            "with --root, name the state folder with --state: "
            f"{STATE_FOLDER} belongs to this machine, not to the one below {options.root}"
        )
    return folder


def own_folder(options: argparse.Namespace) -> StateFolder | None:
    named = options.state or os.environ.get("FLASHWORTHY_STATE")
    if named:
        return StateFolder(Path(named))
    return StateFolder(STATE_FOLDER) if is_this_machine(options) else None


def is_this_machine(options: argparse.Namespace) -> bool:
    return Path(options.root).absolute() == Path("/").absolute()
