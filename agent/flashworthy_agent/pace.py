"""When an agent reports, and when it tries again: so that many agents never come all at once.

The operating system's timer is only the alarm clock; this decides. Everything is a function of
what is passed in, without chance, and the simulation of a whole site after an outage runs on it.

- Each agent has its own moment within the interval, hashed from its id: stable, and spread evenly
  whatever the clocks of the machines agree on.
- What cannot be sent is tried once more after a pause, and then at the agent's own moment an hour
  later: a flat hour keeps agents apart, while waiting twice as long each time brings them together.
- The newest report goes first, and older ones follow after the same pause. As quick tries ebb away
  after an outage, older reports come in, and the sum stays level. The pause is the agent's own,
  too: whoever failed twice just before the outage ended has sent all within the hour after it.
- What the server asks for (Retry-After) is honoured, up to a day.
- A moment that was chosen later than now was chosen by a clock that was wrong: it is not waited
  for.
"""

import hashlib
from collections.abc import Callable, Sequence
from datetime import UTC, datetime, timedelta
from typing import TypeVar

from flashworthy_agent.delivery import Delivery

RETRY_SECONDS = 3600.0  # at most, from a report that could not be sent to the next
SHORTEST_PAUSE_SECONDS, LONGEST_PAUSE_SECONDS = 15.0, 120.0
LONGEST_WISH_SECONDS = 24 * 3600.0  # of a server that asks to be left alone
SHORTEST_SHARE = 0.5  # of the interval lies at least between a report and its next regular one

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
T = TypeVar("T")


def offset_seconds(agent_id: str, every_seconds: float) -> float:
    """The agent's own moment within each interval, counted from 1970 in UTC."""
    return _share(f"moment {agent_id}") * every_seconds


def pause_seconds(agent_id: str) -> float:
    """The agent's own pause before its quick try, and before older reports follow."""
    span = LONGEST_PAUSE_SECONDS - SHORTEST_PAUSE_SECONDS
    return SHORTEST_PAUSE_SECONDS + _share(f"pause {agent_id}") * span


def next_regular(agent_id: str, now: datetime, every_seconds: float) -> datetime:
    """The agent's next own moment that is not too soon after `now`."""
    earliest = (now - _EPOCH).total_seconds() + SHORTEST_SHARE * every_seconds
    offset = offset_seconds(agent_id, every_seconds)
    intervals = -((offset - earliest) // every_seconds)  # rounded up
    return _EPOCH + timedelta(seconds=intervals * every_seconds + offset)


def next_after(
    delivery: Delivery, agent_id: str, started_at: datetime, now: datetime, every_seconds: float
) -> datetime:
    """When the agent's next run is due.

    Args:
        delivery: how far the sending of the run came that started at `started_at` and ends `now`.
    """
    regular = next_regular(agent_id, started_at, every_seconds)
    if not delivery.stopped:
        return regular
    retry_at = regular
    if every_seconds > RETRY_SECONDS:
        retry_at = min(regular, started_at + timedelta(seconds=RETRY_SECONDS))
    wish = min(delivery.retry_after_seconds or 0.0, LONGEST_WISH_SECONDS)
    return max(retry_at, now + timedelta(seconds=wish))


def wait_seconds(next_at: datetime | None, chosen_at: datetime | None, now: datetime) -> float:
    """How long until `next_at`; zero where there is none, or the clock went back since."""
    if next_at is None or chosen_at is None or now < chosen_at:
        return 0.0
    return max(0.0, (next_at - now).total_seconds())


def deliver_paced(
    newest: Sequence[T],
    older: Sequence[T],
    deliver: Callable[[Sequence[T]], Delivery],
    pause: float,
    wait: Callable[[float], None],
) -> Delivery:
    """Send the newest report, with one quick try again, and then what waited from before.

    Args:
        pause: seconds before the quick try and before the older ones.
        wait: lets that many seconds pass.
    """
    done = deliver(newest)
    if done.may_settle_soon:
        wish = done.retry_after_seconds or 0.0
        if wish > LONGEST_PAUSE_SECONDS:
            return done
        wait(max(pause, wish))
        done = done.then(deliver(newest))
    if done.stopped or not older:
        return done
    wait(pause)
    return done.then(deliver(older))


def _share(text: str) -> float:
    """A number from 0 to below 1 that is the same for the same text and evenly spread."""
    return int.from_bytes(hashlib.sha256(text.encode()).digest()[:6]) / 2**48
