"""The plan: what a server hands a machine's agent, so that it can judge without a network.

- It holds what the machine cannot know of itself: its need, the site's policy, its mark, what
  people confirmed, and which packages are kept.
- It expires. An expired plan, or one for another running version, never gives `clear`.
- The agent's own report is the rest; the judgement is the server's own function.
"""

from dataclasses import dataclass
from datetime import datetime

from flashworthy_common.confirmations import Confirmation
from flashworthy_common.need import Need
from flashworthy_common.policy import Policy
from flashworthy_common.readiness import RULES_VERSION, Machine, Moment, Verdict, assess
from flashworthy_common.report import Report
from flashworthy_common.values import Maybe


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    machine: str  # its name
    place: str
    marked: str
    need: Need
    policy: Policy
    confirmations: tuple[Confirmation, ...]
    clock_difference_seconds: Maybe[int]  # the server's clock minus the machine's, at that time
    issued_at: datetime
    expires_at: datetime
    packages: tuple[str, ...] = ()  # version texts of which an intact package is kept for it
    rules_version: int = RULES_VERSION

    @property
    def look_for(self) -> tuple[str, ...]:
        """Names of drivers and packages whose versions the next report should tell."""
        wanted = (each.name for step in self.need.steps for each in step.requires.installed)
        return tuple(dict.fromkeys(wanted))


def judge_by_plan(plan: Plan, report: Report, now: datetime) -> Verdict:
    """The verdict on the spot, from the agent's own report and the plan it was handed last."""
    machine = Machine(
        name=plan.machine,
        report=report,
        place=plan.place,
        marked=plan.marked,
        received_at=now,
        clock_difference_seconds=plan.clock_difference_seconds,
        confirmations=plan.confirmations,
        packages=plan.packages,
        plan_issued_at=plan.issued_at,
        plan_expires_at=plan.expires_at,
    )
    return assess(machine, plan.need, plan.policy, Moment.SPOT, now)
