"""How often one may ask: per person or program, per machine, per address.

- Counts stand in the memory of the process and are forgotten with it: they protect the server
  from too much work. Guessing passwords is held by `services.throttle`, in the database.
- A count begins anew each minute, of the clock of the site.
- The number of counts is bounded: once there are too many, all begin anew.
"""

import threading
from datetime import datetime

from flashworthy_server.config import Config
from flashworthy_server.errors import TooManyError
from flashworthy_server.services.who import Kind, Who

_MINUTE = 60  # seconds
MOST_COUNTS = 100_000


class Counters:
    """How often each was met within the present minute."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._minute = 0
        self._counts: dict[str, int] = {}

    def add(self, what: str, most: int, now: datetime) -> None:
        """Count one more.

        Raises:
            TooManyError: it is more than `most` in this minute.
        """
        minute, second = divmod(int(now.timestamp()), _MINUTE)
        with self._lock:
            if minute != self._minute or len(self._counts) >= MOST_COUNTS:
                self._minute, self._counts = minute, {}
            count = self._counts[what] = self._counts.get(what, 0) + 1
        if count > most:
            message = f"too many requests, {most} a minute are answered: try again later"
            raise TooManyError(message, _MINUTE - second)


def count_address(counters: Counters, config: Config, address: str, now: datetime) -> None:
    """Count a request before anything else is done for it."""
    counters.add(f"from {address}", config.address_requests_per_minute, now)


def count_unknown(counters: Counters, config: Config, address: str, now: datetime) -> None:
    """Count a request that no token or session lets in."""
    counters.add(f"unknown from {address}", config.unknown_per_minute, now)


def count_who(counters: Counters, config: Config, who: Who, now: datetime) -> None:
    """Count a request of somebody who is known."""
    is_machine = who.kind is Kind.MACHINE
    most = config.machine_requests_per_minute if is_machine else config.requests_per_minute
    counters.add(str(who), most, now)
