"""What the operating system's timer calls every few minutes: look and send when it is time to.

- Whether it is time, `pace` says. A moment that comes before the timer's next call is waited for.
- The first call after a start of the system is always in time, and its report says so.
- An agent that nobody enrolled yet, or that finds itself on another machine, joins by itself where
  the site left a code for that.
- A call that has nothing to do is over before the probes are even loaded: it comes 144 times a day.
- That the server is not there is an ordinary thing: the report is kept and the time to try again
  noted; it is no failure of the run.
"""

from collections.abc import Callable, Mapping
from datetime import datetime
from typing import TYPE_CHECKING

from flashworthy_agent import pace
from flashworthy_agent.clock import utc_now
from flashworthy_agent.config import Config
from flashworthy_agent.delivery import Delivery
from flashworthy_agent.enrolment_code import code_left_for
from flashworthy_agent.errors import AnotherMachineError, NotEnrolledError
from flashworthy_agent.state import State, StateFolder, require_enrolled

if TYPE_CHECKING:
    from flashworthy_agent.probes.access import Access

TIMER_SECONDS = 660.0  # from one call to the next at most: ten minutes, and what systemd adds


class Schedule:
    """The scheduled runs of one agent."""

    def __init__(
        self,
        folder: StateFolder,
        config: Config,
        access: "Callable[[], Access]",
        boot_id: str | None,
        environment: Mapping[str, str],
        wait: Callable[[float], None],
        now: Callable[[], datetime] = utc_now,
    ) -> None:
        """
        Args:
            access: makes what the probes may use, once they are needed.
            boot_id: of the system's present start; None: not known.
            environment: where the site may have left a code.
            wait: lets that many seconds pass.
        """
        self._folder = folder
        self._config = config
        self._access = access
        self._boot_id = boot_id
        self._environment = environment
        self._wait = wait
        self._now = now
        self._every_seconds = config.report_every_minutes * 60.0

    def run_when_due(self) -> Delivery | None:
        """How far the run's sending came; None: it was not time yet.

        Raises:
            BusyError: another run is under way.
            NotEnrolledError, AnotherMachineError: and nobody left a code.
        """
        state = self._enrolled_state()
        is_start_up = self._boot_id not in (None, state.boot_id)
        if not is_start_up and not self._is_time(state):
            return None
        with self._folder.alone():
            try:
                return self._run(is_start_up)
            except AnotherMachineError:
                if not self._join():
                    raise
                return self._run(is_start_up)

    def _run(self, is_start_up: bool) -> Delivery:
        from flashworthy_agent.enrolled import EnrolledAgent
        from flashworthy_common.report import Why

        started_at = self._now()
        agent = EnrolledAgent(self._folder, self._config, self._now)
        older = agent.spool.waiting()
        why = Why.START_UP if is_start_up else Why.SCHEDULE
        newest = agent.look_and_keep(self._access(), why, self._boot_id)
        delivery = pace.deliver_paced(
            [newest], older, agent.deliver, pace.pause_seconds(agent.agent_id), self._wait
        )
        now = self._now()
        next_at = pace.next_after(delivery, agent.agent_id, started_at, now, self._every_seconds)
        with self._folder.locked():
            self._folder.change(last_run_at=now, next_run_at=next_at)
        return delivery

    def _enrolled_state(self) -> State:
        state = self._folder.load()
        try:
            return require_enrolled(state, self._folder)
        except NotEnrolledError:
            if not self._join():
                raise
        return require_enrolled(self._folder.load(), self._folder)

    def _join(self) -> bool:
        """Whether a code was left, and the agent joined with it."""
        code = code_left_for(self._folder, self._environment)
        if code is None:
            return False
        from flashworthy_agent.enrolment import enrol

        enrol(self._folder, self._access(), self._config, code)
        return True

    def _is_time(self, state: State) -> bool:
        seconds = pace.wait_seconds(state.next_run_at, state.last_run_at, self._now())
        if seconds > TIMER_SECONDS:
            return False
        if seconds:
            self._wait(seconds)
        return True
