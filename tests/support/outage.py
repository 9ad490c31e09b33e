"""A whole site on simulated time, paced by the agent's own code, while its server is away once."""

import random
import uuid
from collections import Counter
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta

from flashworthy_agent import pace
from flashworthy_agent.delivery import Delivery

EVERY_SECONDS = 3600.0
START = datetime(2026, 5, 4, tzinfo=UTC)


@dataclass
class Outcome:
    """What the server saw."""

    agents: int
    back_at: float  # seconds from the start
    reports: Counter[int] = field(default_factory=Counter)  # per minute from the start
    drained_at: float = 0.0  # when the last report that the outage held up came in

    @property
    def mean(self) -> float:
        """Reports in an ordinary minute."""
        return self.agents * 60 / EVERY_SECONDS

    @property
    def peak(self) -> float:
        """Reports in the worst minute after the outage, as a multiple of the mean."""
        first = int(self.back_at // 60)
        return max(count for minute, count in self.reports.items() if minute >= first) / self.mean

    @property
    def drained_after_minutes(self) -> float:
        return (self.drained_at - self.back_at) / 60


def after_outage(agents: int, *, hours: float = 1.0, seed: int = 1) -> Outcome:
    """`agents` report every hour; the server is away for `hours` from the second hour on."""
    chance = random.Random(seed)
    outcome = Outcome(agents, back_at=3600 * (1 + hours))
    for _ in range(agents):
        _Agent(str(uuid.UUID(int=chance.getrandbits(128), version=4)), outcome).live()
    return outcome


class _Agent:
    def __init__(self, agent_id: str, outcome: Outcome) -> None:
        self._id = agent_id
        self._outcome = outcome
        self._waiting: list[float] = []  # when each report was made
        self._clock = self._seconds(pace.next_regular(agent_id, START, EVERY_SECONDS))

    def live(self) -> None:
        """Until two hours after the outage."""
        while self._clock < self._outcome.back_at + 2 * 3600:
            self._run()

    def _run(self) -> None:
        started = self._clock
        older = list(self._waiting)
        self._waiting.append(started)
        pause = pace.pause_seconds(self._id)
        delivery = pace.deliver_paced([started], older, self._deliver, pause, self._wait)
        started_at, now = (START + timedelta(seconds=each) for each in (started, self._clock))
        next_at = pace.next_after(delivery, self._id, started_at, now, EVERY_SECONDS)
        self._clock = self._seconds(next_at)

    def _deliver(self, reports) -> Delivery:
        if 3600 <= self._clock < self._outcome.back_at:
            return Delivery(stopped="away", may_settle_soon=True)
        for made_at in reports:
            self._waiting.remove(made_at)
            self._outcome.reports[int(self._clock // 60)] += 1
            if made_at < self._outcome.back_at:
                self._outcome.drained_at = max(self._outcome.drained_at, self._clock)
        return Delivery(acknowledged=len(reports))

    def _wait(self, seconds: float) -> None:
        self._clock += seconds

    @staticmethod
    def _seconds(moment: datetime) -> float:
        return (moment - START).total_seconds()
