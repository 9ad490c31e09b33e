"""The command line of the agent.

Exit status: 0 done, 1 something is not as it should be (told on standard error), 2 wrong usage;
that of ``check`` is its outcome's (`flashworthy_agent.commands.check.OUTCOME_STATUS`).

Each command is the module of its name in `flashworthy_agent.commands`. Only that of the command
that was given is loaded: the others, and what they need, would cost more than most commands do.
"""

import argparse
import gc
import io
import sys
from collections.abc import Sequence
from functools import partial
from importlib import import_module
from typing import Protocol, cast

from flashworthy_agent import __version__
from flashworthy_agent.errors import AgentError
from flashworthy_agent.options import add_common_options
from flashworthy_agent.terminal import complain

COMMANDS = {  # what help says of each
    "enrol": "join a server with a code",
    "collect": "look and show the report, sending nothing",
    "capture": "write down all that the probes read, tell what they made of it, send nothing",
    "send": "send the reports that wait",
    "run": "look, keep, send",
    "check": "look on the spot and print the verdict",
    "status": "what is kept and what waits",
    "config": "the settings in force",
    "examine": "what would keep the agent from working, and what to do",
}
_INTERRUPTED = 130  # 128 + SIGINT, as shells say it
_OBJECTS_BETWEEN_LOOKS = 100_000  # for garbage; some 10 MB. Python's own: 700
# Help of the terminal's own width would load a handful of modules on every run, to ask for it.
_Help = partial(argparse.HelpFormatter, width=78)


class Command(Protocol):
    """What the module of a command has."""

    def add_options(self, parser: argparse.ArgumentParser) -> None:
        """Beside those of every command."""

    def run(self, options: argparse.Namespace) -> int:
        """Prints what it did, in words or as JSON, and returns the exit status."""


def program() -> int:
    """The whole process, which does nothing else: `main`, without looking for garbage.

    A run keeps nearly all that it makes, and is over in a second: to go through it again and again,
    and once more at the end, takes a sixth of a look.
    """
    gc.set_threshold(_OBJECTS_BETWEEN_LOOKS)
    try:
        return main()
    finally:
        gc.freeze()  # nothing is left to be gone through


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command and return its exit status."""
    given = sys.argv[1:] if arguments is None else arguments
    options = parser(*given[:1]).parse_args(given)
    if isinstance(sys.stdout, io.TextIOWrapper):
        sys.stdout.reconfigure(errors="replace")  # a terminal may not know every letter
    try:
        return _command(options.command).run(options)
    except (AgentError, OSError) as error:
        complain(error)
        return 1
    except KeyboardInterrupt:
        return _INTERRUPTED


def parser(given: str = "") -> argparse.ArgumentParser:
    """Knows the command that is given, or, where there is none of that name, all of them."""
    made = argparse.ArgumentParser(
        prog="flashworthy-agent",
        description="Looks at this machine and reports to a Flashworthy server. It writes no "
        "firmware, opens no port and takes no commands from afar.",
        formatter_class=_Help,
    )
    made.add_argument("--version", action="version", version=f"%(prog)s {__version__}")
    commands = made.add_subparsers(
        dest="command", required=True, metavar="COMMAND", prog="flashworthy-agent"
    )
    for name in [given] if given in COMMANDS else COMMANDS:
        command = commands.add_parser(name, help=COMMANDS[name], formatter_class=_Help)
        add_common_options(command)
        _command(name).add_options(command)
    return made


def _command(name: str) -> Command:
    return cast(Command, import_module(f"flashworthy_agent.commands.{name}"))
