"""The settings in force."""

import argparse

from flashworthy_agent.frame import settings_of


def add_options(parser: argparse.ArgumentParser) -> None:
    """None."""


def run(options: argparse.Namespace) -> int:
    print(*settings_of(options).lines(), sep="\n")
    return 0
