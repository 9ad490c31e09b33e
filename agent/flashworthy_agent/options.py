"""Options that several commands share."""

import argparse
from pathlib import Path

from flashworthy_agent.places import CONFIG_FILE, STATE_FOLDER


def add_common_options(parser: argparse.ArgumentParser) -> None:
    """Those of every command."""
    parser.add_argument(
        "--root", type=Path, default=Path("/"), metavar="DIR",
        help="read every file below DIR: an offline disk, a test tree",
    )  # fmt: skip
    parser.add_argument(
        "--state", type=Path, metavar="DIR",
        help=f"where the agent keeps its own (FLASHWORTHY_STATE, else {STATE_FOLDER})",
    )  # fmt: skip
    parser.add_argument(
        "--config", type=Path, metavar="FILE", dest="config_file",
        help=f"the settings (FLASHWORTHY_CONFIG, else {CONFIG_FILE})",
    )  # fmt: skip


def add_looking_options(parser: argparse.ArgumentParser) -> None:
    """Those of every command that looks at the machine."""
    parser.add_argument(
        "--fresh", action="store_true", help="ask anew what is otherwise asked every few hours"
    )
    parser.add_argument(
        "--ups", action="append", default=[], metavar="NAME@HOST[:PORT]",
        help="a UPS that feeds this machine (else the key ups)",
    )  # fmt: skip
    parser.add_argument(
        "--look-for", action="append", default=[], metavar="NAME",
        help="also the version of this driver or package",
    )  # fmt: skip
