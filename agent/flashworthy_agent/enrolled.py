"""An agent that a server knows: it looks, keeps what it saw, and sends what it kept.

What the server's answer means for a report:

- acknowledged, now or before: forgotten here;
- refused for good: set aside with the reason, and on with the next;
- refused for its wire version: sent again as the newest older one that the server says it takes,
  which is this one with less in it (versions only add, and a server passes over what it does not
  know);
- anything else: all that is left stays, and nothing more is tried now.

After reports that the server took, the plan that it goes by is kept or renewed (`kept_plan`).

A new token is on disk, with the old one beside it, before it is used; the old one goes once the
server accepted the new one. Whenever this is killed, one of the two is valid.
"""

from collections.abc import Callable, Iterable
from dataclasses import replace
from datetime import datetime

from flashworthy_agent.clock import utc_now
from flashworthy_agent.collect import look, make_report
from flashworthy_agent.config import Config
from flashworthy_agent.delivery import Delivery
from flashworthy_agent.errors import (
    RequestRefusedError,
    ServerUnavailableError,
    TokenRefusedError,
    TransportError,
)
from flashworthy_agent.kept_plan import KeptPlan
from flashworthy_agent.probes.access import Access
from flashworthy_agent.same_machine import remembered
from flashworthy_agent.spool import Spool, Waiting
from flashworthy_agent.state import StateFolder, require_enrolled
from flashworthy_agent.transport import Receipt, Server
from flashworthy_common.report import WIRE_VERSION, Source, Why

_IDENTITY = frozenset({"identity"})


def spool_of(folder: StateFolder, config: Config) -> Spool:
    """The spool with the bounds in force."""
    return Spool(
        folder,
        max_reports=config.spool_most_reports,
        max_bytes=config.spool_most_megabytes * 1_000_000,
    )


class EnrolledAgent:
    """One agent of one machine, with its own folder."""

    def __init__(
        self, folder: StateFolder, config: Config, now: Callable[[], datetime] = utc_now
    ) -> None:
        """
        Raises:
            NotEnrolledError: nobody has enrolled it yet.
            StateError: its state cannot be used.
        """
        state = require_enrolled(folder.load(), folder)
        self.agent_id, self.machine_id = state.agent_id, str(state.machine_id)
        self.server = Server(
            config.server or str(state.server),
            state.token,
            ca_file=config.ca_file,
            proxy=config.proxy,
            now=now,
        )
        self.folder = folder
        self.spool = spool_of(folder, config)
        self.kept_plan = KeptPlan(folder.folder)
        self._config = config
        self._now = now
        self._wire = WIRE_VERSION
        self._is_rotation_due = False
        self._plan_digest: str | None = None  # of the plan that the server goes by now

    def look_and_keep(self, access: Access, why: Why, boot_id: str | None = None) -> Waiting:
        """A new report, on disk; nothing is sent.

        Raises:
            AnotherMachineError: this is not the machine that was enrolled.
        """
        findings = look(access)
        with self.folder.locked():
            state = require_enrolled(self.folder.load(), self.folder)
            state = self.folder.count_report(
                evidence=remembered(findings.identity, state.agent_id, state.evidence),
                boot_id=boot_id or state.boot_id,
            )
            report = make_report(
                findings,
                replace(state, place=self._config.place or state.place),
                source=Source.AGENT,
                why=why,
                spool_depth=len(self.spool.waiting()),
                set_aside_reports=len(self.spool.set_aside()),
                configuration_digest=self._config.digest(),
            )
            return self.spool.add(report)

    def require_same_machine(self, access: Access) -> None:
        """For a sending without a look.

        Raises:
            AnotherMachineError: this is not the machine that was enrolled.
        """
        state = require_enrolled(self.folder.load(), self.folder)
        remembered(look(access, only=_IDENTITY).identity, state.agent_id, state.evidence)

    def deliver(self, reports: Iterable[Waiting]) -> Delivery:
        """Send `reports`, one after the other, and fetch a new token or plan where one is due."""
        delivery = Delivery()
        for report in reports:
            delivery = delivery.then(self._deliver_one(report))
            if delivery.stopped:
                return delivery
        if self._is_rotation_due:
            delivery = delivery.then(self._rotated())
        return delivery.then(self._with_plan()) if self._plan_digest else delivery

    def _deliver_one(self, report: Waiting) -> Delivery:
        try:
            receipt = self._send(report)
        except FileNotFoundError:
            return Delivery()  # another run was quicker
        except RequestRefusedError as error:
            self._put_aside(report, error)
            return Delivery(set_aside=(f"report {report.sequence} is set aside: {error}",))
        except ServerUnavailableError as error:
            return Delivery(
                stopped=str(error),
                may_settle_soon=True,
                retry_after_seconds=error.retry_after_seconds,
            )
        except TokenRefusedError as error:
            return Delivery(stopped=str(error))
        self._is_rotation_due = receipt.is_rotation_due
        self._plan_digest = receipt.plan_digest
        self._forget(report)
        return Delivery(acknowledged=1, notes=self._notes_on_wire())

    def _send(self, report: Waiting) -> Receipt:
        body = report.body() if self._wire == WIRE_VERSION else report.body_as(self._wire)
        try:
            return self.server.send_report(report.report_id, body)
        except RequestRefusedError as error:
            if "wire" not in error.fields or not self._take_older_wire():
                raise
        except TokenRefusedError:
            if not self._take_other_token():
                raise
        return self._send(report)

    def _take_older_wire(self) -> bool:
        """Go on with an older version of the wire, if the server takes one."""
        older = [version for version in self.server.wire_versions() if version < self._wire]
        self._wire = max(older, default=self._wire)
        return bool(older)

    def _notes_on_wire(self) -> tuple[str, ...]:
        if self._wire == WIRE_VERSION:
            return ()
        return (
            f"the server is older than this agent: it takes wire version {self._wire}, "
            f"not {WIRE_VERSION}, and does not see what came with the newer one",
        )

    def _take_other_token(self) -> bool:
        """Go on with a token that another run fetched, or else with the one before."""
        with self.folder.locked():
            state = require_enrolled(self.folder.load(), self.folder)
            if state.token == self.server.token and state.previous_token:
                state = self.folder.change(token=state.previous_token, previous_token=None)
        is_other, self.server.token = state.token != self.server.token, state.token
        return is_other

    def _rotated(self) -> Delivery:
        """A failure here is none of the delivery: the server asks again with the next report."""
        self._is_rotation_due = False
        try:
            token = self.server.new_token()
        except TransportError as error:
            return Delivery(notes=(f"no new token: {error}",))
        with self.folder.locked():
            self.folder.change(token=token, previous_token=self.server.token)
        self.server.token = token
        return Delivery()

    def _with_plan(self) -> Delivery:
        """A failure here is none of the delivery: the plan before stays, and grows old."""
        digest, self._plan_digest = self._plan_digest, None
        try:
            if self.kept_plan.digest == digest:
                self.kept_plan.renew(self._now(), self.server.clock_ahead_seconds)
            else:
                answer = self.server.plan(self.machine_id)
                self.kept_plan.keep(answer, self._now(), self.server.clock_ahead_seconds)
        except (TransportError, OSError) as error:
            return Delivery(notes=(f"the server's plan is not kept: {error}",))
        return Delivery()

    def _put_aside(self, report: Waiting, error: RequestRefusedError) -> None:
        with self.folder.locked():
            self.spool.put_aside(report, str(error))

    def _forget(self, report: Waiting) -> None:
        with self.folder.locked():
            self.spool.remove(report)
            state = require_enrolled(self.folder.load(), self.folder)
            was_new = state.token == self.server.token
            self.folder.change(
                last_sent_at=self._now(),
                previous_token=None if was_new else state.previous_token,
            )
