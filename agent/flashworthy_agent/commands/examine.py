"""What would keep the agent from working, and what to do."""

import argparse

from flashworthy_agent.clock import utc_now
from flashworthy_agent.examine import examine
from flashworthy_agent.frame import settings_of, state_folder
from flashworthy_agent.probes.access import access_to


def add_options(parser: argparse.ArgumentParser) -> None:
    """None."""


def run(options: argparse.Namespace) -> int:
    folder = state_folder(options)
    access = access_to(options.root.absolute())
    findings = examine(folder, lambda: settings_of(options), access, utc_now())
    print(*[line for finding in findings for line in finding.lines()], sep="\n")
    return 0 if all(finding.is_fine for finding in findings) else 1
