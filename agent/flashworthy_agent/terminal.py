"""What the agent says to whoever called it, beside the answer that was asked for."""

import sys

from flashworthy_agent.delivery import Delivery


def complain(what: object) -> None:
    print(f"flashworthy-agent: {what}", file=sys.stderr)


def delivery_line(delivery: Delivery, waiting: int) -> str:
    return f"{delivery.acknowledged} sent, {waiting} waiting"


def status_of(delivery: Delivery) -> int:
    """Tells what went wrong with a delivery, and returns the exit status for it."""
    for reason in (*delivery.notes, *delivery.set_aside):
        complain(reason)
    if delivery.stopped:
        complain(f"{delivery.stopped}; what waits is kept")
    return 1 if delivery.set_aside or delivery.stopped else 0
