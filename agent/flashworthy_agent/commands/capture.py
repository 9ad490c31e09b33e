"""Write down all that the probes read, and tell what they made of it."""

import argparse
import sys
from pathlib import Path

from flashworthy_agent.capture import write_capture
from flashworthy_agent.capturing import take, taken_lines
from flashworthy_agent.durable import write_durably
from flashworthy_agent.frame import settings_of
from flashworthy_agent.looking import access_of
from flashworthy_agent.options import add_looking_options
from flashworthy_agent.probes import platform_named


def add_options(parser: argparse.ArgumentParser) -> None:
    add_looking_options(parser)
    parser.add_argument("--out", type=Path, required=True, metavar="FILE")
    parser.add_argument(
        "--replace-ids", action="store_true",
        help="write other serials, user names and ids of the same form in their place",
    )  # fmt: skip


def run(options: argparse.Namespace) -> int:
    access, name = access_of(options, None, settings_of(options)), sys.platform
    taken = take(access, platform_named(name), name, replace_ids=options.replace_ids)
    write_durably(options.out, write_capture(taken.capture))
    print(*taken_lines(taken, options.out), sep="\n")
    return 1 if taken.differing else 0
