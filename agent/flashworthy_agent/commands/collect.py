"""Look at this machine, or at one that was written down, and show the report."""

import argparse
import sys
from pathlib import Path

from flashworthy_agent.durable import write_durably
from flashworthy_agent.encode import encode_report
from flashworthy_agent.options import add_looking_options
from flashworthy_common.report import Report


def add_options(parser: argparse.ArgumentParser) -> None:
    add_looking_options(parser)
    parser.add_argument("--out", type=Path, metavar="FILE", help="write the report to FILE")
    parser.add_argument("--table", action="store_true", help="show it in plain words, not as JSON")
    parser.add_argument(
        "--replay", type=Path, metavar="FILE",
        help="look at what `capture` wrote of a machine, on any system, not at this one",
    )  # fmt: skip


def run(options: argparse.Namespace) -> int:
    report = _report(options)
    content = f"{encode_report(report)}\n".encode()  # JSON is UTF-8 whatever the terminal is
    if options.out:
        write_durably(options.out, content)
        print(f"report {report.report_id} written to {options.out}")
    if options.table:
        from flashworthy_agent.table import report_lines  # late: JSON needs none

        print(*report_lines(report), sep="\n")
    elif not options.out:
        sys.stdout.buffer.write(content)
    return 0


def _report(options: argparse.Namespace) -> Report:
    if options.replay:
        from flashworthy_agent.replay import replayed  # late: who looks here needs none

        return replayed(options.replay)
    from flashworthy_agent.by_hand import collected  # late: a replay needs no settings, no state

    return collected(options)
