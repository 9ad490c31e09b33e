"""Send the reports that wait."""

import argparse

from flashworthy_agent.enrolled import EnrolledAgent
from flashworthy_agent.frame import settings_of, state_folder
from flashworthy_agent.probes.access import access_to
from flashworthy_agent.terminal import delivery_line, status_of


def add_options(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--again", action="store_true", help="also those that were set aside")


def run(options: argparse.Namespace) -> int:
    settings = settings_of(options)
    agent = EnrolledAgent(state_folder(options), settings.config)
    agent.require_same_machine(access_to(options.root.absolute()))
    with agent.folder.alone():
        if options.again:
            with agent.folder.locked():
                agent.spool.queue_again(agent.agent_id)
        delivery = agent.deliver(agent.spool.waiting())
    print(delivery_line(delivery, len(agent.spool.waiting())))
    return status_of(delivery)
