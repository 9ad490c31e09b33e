"""Look, keep, send: now, or when it is time to.

Most calls of the timer have nothing to do, and load nothing that looks or sends.
"""

import argparse
import os
import time
from typing import TYPE_CHECKING

from flashworthy_agent.boot import boot_id
from flashworthy_agent.errors import BusyError
from flashworthy_agent.frame import settings_of, state_folder
from flashworthy_agent.options import add_looking_options
from flashworthy_agent.schedule import Schedule
from flashworthy_agent.terminal import delivery_line, status_of

if TYPE_CHECKING:
    from flashworthy_agent.probes.access import Access


def add_options(parser: argparse.ArgumentParser) -> None:
    add_looking_options(parser)
    parser.add_argument("--why", choices=["schedule", "start-up"], default="schedule")
    parser.add_argument(
        "--when-due", action="store_true",
        help="only when it is time to; wait for it if it is soon: for the system's timer",
    )  # fmt: skip


def run(options: argparse.Namespace) -> int:
    return _run_when_due(options) if options.when_due else _run_now(options)


def _run_now(options: argparse.Namespace) -> int:
    from flashworthy_agent.enrolled import EnrolledAgent  # late: most calls have nothing to do
    from flashworthy_agent.looking import access_of
    from flashworthy_common.report import Why

    settings = settings_of(options)
    agent = EnrolledAgent(state_folder(options), settings.config)
    with agent.folder.alone():
        access = access_of(options, agent.folder, settings)
        report = agent.look_and_keep(access, Why(options.why))
        delivery = agent.deliver(agent.spool.waiting())
    print(f"report {report.sequence} made, {delivery_line(delivery, len(agent.spool.waiting()))}")
    return status_of(delivery)


def _run_when_due(options: argparse.Namespace) -> int:
    """Prints nothing when it is not time: that is most of the calls."""
    folder, settings = state_folder(options), settings_of(options)

    def access() -> "Access":
        from flashworthy_agent.looking import access_of  # late: as above

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
    from flashworthy_agent.spool import Spool  # late: as above

    print(delivery_line(delivery, len(Spool(folder).waiting())))
    status = status_of(delivery)
    return 0 if delivery.may_settle_soon and not delivery.set_aside else status
