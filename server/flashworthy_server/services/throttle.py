"""Signing in is slowed down: how many passwords may be tried from where, at which account.

- Tries are counted in the database, so that it holds for all processes together, and before the
  password is looked at, so that it holds for tries at the same time.
- Three counts over the same span: from one address, at one account, and at one account from one
  address. Whoever is over one of them waits until the span has passed.
- Whoever guesses from many addresses at one account shuts out strangers, but not its owner: an
  address from which the account has a session is not held by the count of the account.
- A try that succeeds is forgotten, and those at the account from that address with it: they were
  slips of the pen.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from math import ceil

from flashworthy_server.config import Config
from flashworthy_server.db import Connection
from flashworthy_server.errors import TooManyError
from flashworthy_server.store import tries as store


@dataclass(frozen=True, slots=True)
class Try:
    """One try to sign in: where from, and at which account; its key, known or not."""

    address: str
    account: str
    is_known_there: bool  # the account has a session from the address

    def counts(self, config: Config) -> Iterator[tuple[str, int]]:
        """What is counted, and how much of it is let through."""
        yield f"from {self.address}", config.tries_from_address
        yield self.pair, config.tries_at_account_from_address
        if not self.is_known_there:
            yield f"at {self.account}", config.tries_at_account

    @property
    def pair(self) -> str:
        return f"at {self.account} from {self.address}"


def count(connection: Connection, config: Config, attempt: Try, now: datetime) -> float | None:
    """Count a try; the seconds to wait where it is one too many, or else none."""
    span = timedelta(minutes=config.tries_minutes)
    store.forget_before(connection, now - span)
    waits = []
    for what, most in attempt.counts(config):
        since, number = store.add(connection, what, now)
        if number > most:
            waits.append((since + span - now).total_seconds())
    return max(waits, default=None)


def forgive(connection: Connection, attempt: Try) -> None:
    """Forget a try that succeeded, and those before it at the account from the address."""
    number = store.forget(connection, attempt.pair)
    store.take_back(connection, f"from {attempt.address}", number)
    store.take_back(connection, f"at {attempt.account}", number)


def too_many(wait_seconds: float) -> TooManyError:
    seconds = max(1, ceil(wait_seconds))
    minutes = ceil(seconds / 60)
    return TooManyError(f"too many tries: wait {minutes} minute(s), then try again", seconds)
