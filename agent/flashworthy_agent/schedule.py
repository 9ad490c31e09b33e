"""What the operating system's timer calls every few minutes: look and send when it is time to.

- Whether it is time, `pace` says. A moment that comes before the timer's next call is waited for.
- The first call after a start of the system is always in time, and its report says so.
- An agent that nobody enrolled yet, or that finds itself on another machine, joins by itself where
  the site left a code for that.
- That the server is not there is an ordinary thing: the report is kept and the time to try again
  noted; it is no failure of the run.
"""

from collections.abc import Callable, Mapping
from datetime import datetime

from flashworthy_agent import pace
from flashworthy_agent.clock import utc_now
from flashworthy_agent.config import Config
from flashworthy_agent.delivery import Delivery
from flashworthy_agent.enrolled import EnrolledAgent
from flashworthy_agent.enrolment import code_left_for, enrol, require_enrolled
from flashworthy_agent.errors import AnotherMachineError, NotEnrolledError
from flashworthy_agent.probes.access import Access
from flashworthy_agent.state import State, StateFolder
from flashworthy_common.report import Why
from flashworthy_common.values import Unknown

TIMER_SECONDS = 660.0  # from one call to the next at most: ten minutes, and what systemd adds
BOOT_ID_FILE = "/proc/sys/kernel/random/boot_id"  # random(4): another one after each start


class Schedule:
    """The scheduled runs of one agent."""

    def __init__(
        self,
        folder: StateFolder,
        config: Config,
        access: Access,
        environment: Mapping[str, str],
        wait: Callable[[float], None],
        now: Callable[[], datetime] = utc_now,
    ) -> None:
        """
        Args:
            environment: where the site may have left a code.
            wait: lets that many seconds pass.
        """
        self._folder = folder
        self._config = config
        self._access = access
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
        boot_id = self._boot_id()
        why = Why.START_UP if boot_id not in (None, state.boot_id) else Why.SCHEDULE
        if why is Why.SCHEDULE and not self._is_time(state):
            return None
        with self._folder.alone():
            try:
                return self._run(why, boot_id)
            except AnotherMachineError:
                if not self._join():
                    raise
                return self._run(why, boot_id)

    def _run(self, why: Why, boot_id: str | None) -> Delivery:
        started_at = self._now()
        agent = EnrolledAgent(self._folder, self._config, self._now)
        older = agent.spool.waiting()
        newest = agent.look_and_keep(self._access, why, boot_id)
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
        enrol(self._folder, self._access, self._config, code)
        return True

    def _boot_id(self) -> str | None:
        boot_id = self._access.files.text(BOOT_ID_FILE)
        return None if isinstance(boot_id, Unknown) else boot_id

    def _is_time(self, state: State) -> bool:
        seconds = pace.wait_seconds(state.next_run_at, state.last_run_at, self._now())
        if seconds > TIMER_SECONDS:
            return False
        if seconds:
            self._wait(seconds)
        return True
