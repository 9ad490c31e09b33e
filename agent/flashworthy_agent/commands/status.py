"""What is kept and what waits."""

import argparse

from flashworthy_agent.frame import state_folder
from flashworthy_agent.spool import Spool
from flashworthy_agent.state import State
from flashworthy_common.values import write_time


def add_options(parser: argparse.ArgumentParser) -> None:
    """None."""


def run(options: argparse.Namespace) -> int:
    folder = state_folder(options)
    print(*_lines(folder.load(), Spool(folder)), sep="\n")
    return 0


def _lines(state: State | None, spool: Spool) -> list[str]:
    if state is None:
        return ["not enrolled; run flashworthy-agent enrol --server URL --code CODE"]
    waiting, aside = spool.waiting(), spool.set_aside()
    lines = [
        ("server", state.server or "none: not enrolled"),
        ("machine", state.machine_id or "none: not enrolled"),
        ("agent", state.agent_id),
        ("place", state.place or "not configured"),
        ("reports made", str(state.sequence)),
        ("waiting", str(len(waiting))),
        ("set aside", str(len(aside))),
        *[("", f"report {report.sequence}: {reason}") for report, reason in aside],
        ("dropped", str(state.dropped_reports)),
        ("last sent", write_time(state.last_sent_at) if state.last_sent_at else "never"),
        ("next run", write_time(state.next_run_at) if state.next_run_at else "not scheduled yet"),
    ]
    return [f"{label:<14}{text}" for label, text in lines]
