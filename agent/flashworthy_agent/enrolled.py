"""An agent that a server knows: it looks, keeps what it saw, and sends what it kept.

What the server's answer means for a report:

- acknowledged, now or before: forgotten here;
- refused for good: set aside with the reason, and on with the next;
- anything else: all that is left stays, and nothing more is tried now.
"""

from collections.abc import Iterable
from dataclasses import dataclass

from flashworthy_agent.clock import utc_now
from flashworthy_agent.collect import look, make_report
from flashworthy_agent.errors import (
    RequestRefusedError,
    ServerUnavailableError,
    StateError,
    TokenRefusedError,
)
from flashworthy_agent.probes.access import Access
from flashworthy_agent.spool import Spool, Waiting
from flashworthy_agent.state import StateFolder
from flashworthy_agent.transport import Server
from flashworthy_common.report import Source, Why


@dataclass(frozen=True)
class Delivery:
    """How far a sending came."""

    acknowledged: int  # reports that the server has
    set_aside: tuple[str, ...] = ()  # why, one per report
    stopped: str | None = None  # why the rest was not tried; None: all was


class EnrolledAgent:
    """One agent of one machine, with its own folder."""

    def __init__(self, folder: StateFolder) -> None:
        """
        Raises:
            StateError: nobody has enrolled it yet, or its state cannot be used.
        """
        state = folder.load()
        if not (state and state.server and state.machine_id and state.token):
            raise StateError(
                f"{folder.folder}: not enrolled; "
                "run flashworthy-agent enrol --server URL --code CODE"
            )
        self.machine_id = state.machine_id
        self.server = Server(state.server, state.token)
        self.folder = folder
        self.spool = Spool(folder)

    def look_and_keep(self, access: Access, why: Why) -> Waiting:
        """A new report, on disk; nothing is sent."""
        findings = look(access)
        with self.folder.locked():
            state = self.folder.count_report()
            report = make_report(
                findings,
                state,
                source=Source.AGENT,
                why=why,
                spool_depth=len(self.spool.waiting()),
            )
            return self.spool.add(report)

    def deliver(self, reports: Iterable[Waiting]) -> Delivery:
        """Send `reports`, one after the other."""
        acknowledged, set_aside, stopped = 0, [], None
        for report in reports:
            try:
                self.server.send_report(report.report_id, report.body())
            except FileNotFoundError:
                continue  # another run was quicker
            except RequestRefusedError as error:
                self._put_aside(report, error)
                set_aside.append(f"report {report.sequence} is set aside: {error}")
            except (ServerUnavailableError, TokenRefusedError) as error:
                stopped = str(error)
                break
            else:
                self._forget(report)
                acknowledged += 1
        return Delivery(acknowledged, tuple(set_aside), stopped)

    def _put_aside(self, report: Waiting, error: RequestRefusedError) -> None:
        with self.folder.locked():
            self.spool.put_aside(report, str(error))

    def _forget(self, report: Waiting) -> None:
        with self.folder.locked():
            self.spool.remove(report)
            self.folder.change(last_sent_at=utc_now())
