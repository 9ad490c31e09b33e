"""The command line of the agent.

Exit status: 0 done, 1 something is not as it should be (told on standard error), 2 wrong usage;
that of ``check`` is its outcome's (`commands.OUTCOME_STATUS`).

What the commands do is in `commands`, which is loaded only for a command that has something to do:
most calls of the timer have not.
"""

import argparse
import io
import os
import sys
import time
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from flashworthy_agent import __version__
from flashworthy_agent.boot import boot_id
from flashworthy_agent.config import read_place
from flashworthy_agent.enrolment_code import CODE_VARIABLE
from flashworthy_agent.errors import AgentError, BusyError
from flashworthy_agent.frame import complain, delivery_line, settings_of, state_folder, status_of
from flashworthy_agent.places import CONFIG_FILE, STATE_FOLDER
from flashworthy_agent.schedule import Schedule

if TYPE_CHECKING:
    from flashworthy_agent.probes.access import Access

_INTERRUPTED = 130  # 128 + SIGINT, as shells say it


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command and return its exit status."""
    options = _parser().parse_args(arguments)
    if isinstance(sys.stdout, io.TextIOWrapper):
        sys.stdout.reconfigure(errors="replace")  # a terminal may not know every letter
    try:
        return _command(options)
    except (AgentError, OSError) as error:
        complain(error)
        return 1
    except KeyboardInterrupt:
        return _INTERRUPTED


def _command(options: argparse.Namespace) -> int:
    if options.command == "run" and options.when_due:
        return _run_when_due(options)
    from flashworthy_agent.commands import COMMANDS

    return COMMANDS[options.command](options)


def _run_when_due(options: argparse.Namespace) -> int:
    """Prints nothing when it is not time: that is most of the calls."""
    folder, settings = state_folder(options), settings_of(options)

    def access() -> "Access":
        from flashworthy_agent.commands import access_of

        return access_of(options, folder, settings)

    started = boot_id(options.root)
    schedule = Schedule(folder, settings.config, access, started, os.environ, time.sleep)
    try:
        delivery = schedule.run_when_due()
    except BusyError as error:
        print(error)
        return 0
    if delivery is None:
        return 0
    from flashworthy_agent.spool import Spool

    print(delivery_line(delivery, len(Spool(folder).waiting())))
    status = status_of(delivery)
    return 0 if delivery.may_settle_soon and not delivery.set_aside else status


# ---- options ----------------------------------------------------------------------------------


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="flashworthy-agent",
        description="Looks at this machine and reports to a Flashworthy server. It writes no "
        "firmware, opens no port and takes no commands from afar.",
    )
    parser.add_argument("--version", action="version", version=f"%(prog)s {__version__}")
    commands = parser.add_subparsers(required=True, metavar="COMMAND")
    common, looking = _common_options(), _looking_options()

    enrol = commands.add_parser("enrol", parents=[common], help="join a server with a code")
    enrol.add_argument("--server", metavar="URL", help="https://server.example (else as set)")
    code = enrol.add_mutually_exclusive_group()
    code.add_argument("--code", help=f"the enrolment code (else {CODE_VARIABLE})")
    code.add_argument("--code-file", type=Path, metavar="FILE", help="the file that holds it")
    enrol.add_argument("--place", type=_place, help='where it stands: "site / building / room"')
    enrol.set_defaults(command="enrol")

    collect = commands.add_parser(
        "collect", parents=[common, looking], help="look and show the report, sending nothing"
    )
    collect.add_argument("--out", type=Path, metavar="FILE", help="write the report to FILE")
    collect.add_argument("--table", action="store_true", help="show it in plain words, not as JSON")
    collect.add_argument(
        "--replay", type=Path, metavar="FILE",
        help="look at what `capture` wrote of a machine, on any system, not at this one",
    )  # fmt: skip
    collect.set_defaults(command="collect")

    capture = commands.add_parser(
        "capture", parents=[common, looking],
        help="write down all that the probes read, tell what they made of it, send nothing",
    )  # fmt: skip
    capture.add_argument("--out", type=Path, required=True, metavar="FILE")
    capture.add_argument(
        "--replace-ids", action="store_true",
        help="write other serials, user names and ids of the same form in their place",
    )  # fmt: skip
    capture.set_defaults(command="capture")

    send = commands.add_parser("send", parents=[common], help="send the reports that wait")
    send.add_argument("--again", action="store_true", help="also those that were set aside")
    send.set_defaults(command="send")

    run = commands.add_parser("run", parents=[common, looking], help="look, keep, send")
    run.add_argument("--why", choices=["schedule", "start-up"], default="schedule")
    run.add_argument(
        "--when-due", action="store_true",
        help="only when it is time to; wait for it if it is soon: for the system's timer",
    )  # fmt: skip
    run.set_defaults(command="run")

    check = commands.add_parser(
        "check", parents=[common, looking], help="look on the spot and print the verdict"
    )
    check.add_argument("--json", action="store_true", help="print the verdict as JSON")
    check.add_argument("--all", action="store_true", help="also every check that passes")
    check.set_defaults(command="check")

    status = commands.add_parser("status", parents=[common], help="what is kept and what waits")
    status.set_defaults(command="status")

    config = commands.add_parser("config", parents=[common], help="the settings in force")
    config.set_defaults(command="config")

    examine = commands.add_parser(
        "examine", parents=[common], help="what would keep the agent from working, and what to do"
    )
    examine.set_defaults(command="examine")
    return parser


def _common_options() -> argparse.ArgumentParser:
    options = argparse.ArgumentParser(add_help=False)
    options.add_argument(
        "--root", type=Path, default=Path("/"), metavar="DIR",
        help="read every file below DIR: an offline disk, a test tree",
    )  # fmt: skip
    options.add_argument(
        "--state", type=Path, metavar="DIR",
        help=f"where the agent keeps its own (FLASHWORTHY_STATE, else {STATE_FOLDER})",
    )  # fmt: skip
    options.add_argument(
        "--config", type=Path, metavar="FILE", dest="config_file",
        help=f"the settings (FLASHWORTHY_CONFIG, else {CONFIG_FILE})",
    )  # fmt: skip
    return options


def _looking_options() -> argparse.ArgumentParser:
    options = argparse.ArgumentParser(add_help=False)
    options.add_argument(
        "--fresh", action="store_true", help="ask anew what is otherwise asked every few hours"
    )
    options.add_argument(
        "--ups", action="append", default=[], metavar="NAME@HOST[:PORT]",
        help="a UPS that feeds this machine (else the key ups)",
    )  # fmt: skip
    options.add_argument(
        "--look-for", action="append", default=[], metavar="NAME",
        help="also the version of this driver or package",
    )  # fmt: skip
    return options


def _place(text: str) -> str:
    try:
        return read_place(text)
    except ValueError as error:
        raise argparse.ArgumentTypeError(f"{error}, got {text!r}") from error
