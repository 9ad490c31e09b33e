"""Join a server with a code."""

import argparse
import os
from dataclasses import replace
from pathlib import Path

from flashworthy_agent.address import canonical_address
from flashworthy_agent.config import Config, Settings, read_place
from flashworthy_agent.enrolment import enrol
from flashworthy_agent.enrolment_code import CODE_VARIABLE, code_left_for, read_code
from flashworthy_agent.errors import ConfigError
from flashworthy_agent.frame import settings_of, state_folder
from flashworthy_agent.probes.access import access_to
from flashworthy_agent.state import StateFolder


def add_options(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--server", metavar="URL", help="https://server.example (else as set)")
    code = parser.add_mutually_exclusive_group()
    code.add_argument("--code", help=f"the enrolment code (else {CODE_VARIABLE})")
    code.add_argument("--code-file", type=Path, metavar="FILE", help="the file that holds it")
    parser.add_argument("--place", type=_place, help='where it stands: "site / building / room"')


def run(options: argparse.Namespace) -> int:
    folder = state_folder(options)
    config = _with_server(options, settings_of(options))
    access = access_to(options.root.absolute())
    state = enrol(folder, access, config, _code(options, folder), options.place)
    print(f"enrolled at {state.server} as machine {state.machine_id}")
    return 0


def _with_server(options: argparse.Namespace, settings: Settings) -> Config:
    config = settings.config
    if options.server is None:
        return config
    address = canonical_address(options.server)
    if config.server not in (None, address):
        raise ConfigError(
            f"{settings.sources['server']} names the server {config.server}, "
            f"--server {address}; change one of them"
        )
    return replace(config, server=address)


def _code(options: argparse.Namespace, folder: StateFolder) -> str:
    if options.code_file:
        return read_code(options.code_file)
    code = options.code or code_left_for(folder, os.environ)
    if not code:
        raise ConfigError(f"no enrolment code; say --code-file FILE, or set {CODE_VARIABLE}")
    return str(code)


def _place(text: str) -> str:
    try:
        return read_place(text)
    except ValueError as error:
        raise argparse.ArgumentTypeError(f"{error}, got {text!r}") from error
