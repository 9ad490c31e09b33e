"""Attention: facts that someone should look at, whatever the verdict.

- Everything here is derived: from one report, from two versions seen one after the other, from
  the need, or from how long a machine has been silent. Nothing is judged twice. What a flash left
  behind is in `flashworthy_common.aftermath`.
- Nothing that is merely unknown asks for attention, except firmware that cannot be read.
- Each says in words what was seen; the codes are stable.
- A person may acknowledge one, with a reason, until a day; then it asks again.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from enum import Enum

from flashworthy_common.dotted import is_at_least
from flashworthy_common.esrt import attempt_status, last_failure
from flashworthy_common.placeholders import is_placeholder
from flashworthy_common.policy import Policy
from flashworthy_common.readiness.power import health_percent
from flashworthy_common.reasons import Priority
from flashworthy_common.report import BootMode, Report
from flashworthy_common.values import Maybe, Unknown
from flashworthy_common.versions import Order, compare


class AttentionCode(Enum):
    PRIORITY = "priority"  # out-of-cycle or immediate
    ATTEMPT_FAILED = "attempt-failed"
    CHANGED = "changed"  # the version, and nobody is known to have planned it
    WENT_BACK = "went-back"  # to an older version
    NOT_UPDATED = "not-updated"  # after a flash, the version that was meant does not run
    SILENT = "silent"
    SILENT_AFTER_FLASH = "silent-after-flash"
    UNREADABLE = "unreadable"  # firmware version missing or a placeholder
    SECURE_BOOT_OFF = "secure-boot-off"
    SECURE_BOOT_CHANGED = "secure-boot-changed"  # by a flash
    PROTECTION_OFF = "protection-off"  # of the disk, not resumed after a flash
    BATTERY_WORN = "battery-worn"
    PROBES_FAILING = "probes-failing"
    MALFORMED = "malformed"  # parts of the report
    CLOCK_OFF = "clock-off"
    CLOCK_RESET = "clock-reset"  # by a flash
    IDENTITY_IN_DOUBT = "identity-in-doubt"
    BOARD_REPLACED = "board-replaced"  # to be confirmed by a person
    REPORTS_DROPPED = "reports-dropped"
    REPORTS_SET_ASIDE = "reports-set-aside"  # by an agent whose server refused them
    AGENT_OLD = "agent-old"  # older than the server


PRESSING = (Priority.OUT_OF_CYCLE, Priority.IMMEDIATE)
_SHOWN_PROBLEMS = 3  # malformed values named one by one; the rest are counted


@dataclass(frozen=True, slots=True)
class Attention:
    code: AttentionCode
    says: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Acknowledgement:
    """Somebody looked, and it may rest until a day."""

    by: str
    at: datetime
    reason: str
    until: date  # the last day on which it holds, UTC

    def holds(self, now: datetime) -> bool:
        return now.date() <= self.until


@dataclass(frozen=True, slots=True, kw_only=True)
class FirmwareChange:
    """Two running versions of one machine, seen one after the other."""

    from_text: str
    to_text: str
    from_seen_at: datetime
    to_seen_at: datetime
    order: Order  # how the later version stands to the earlier one
    is_planned: bool = False  # it came of a flash that a person had said was started


def firmware_change(
    earlier: tuple[str, datetime], later: tuple[str, datetime], *, maker: str, model: str
) -> FirmwareChange | None:
    """The change between two versions, each with when it was seen; none where they are the same."""
    (from_text, from_seen_at), (to_text, to_seen_at) = earlier, later
    if from_text == to_text:
        return None
    return FirmwareChange(
        from_text=from_text,
        to_text=to_text,
        from_seen_at=from_seen_at,
        to_seen_at=to_seen_at,
        order=compare(to_text, from_text, maker=maker, model=model),
    )


def attention_of_change(change: FirmwareChange) -> Attention:
    went_back = change.order is Order.OLDER
    gap = _whole_hours(change.to_seen_at - change.from_seen_at)
    return Attention(
        AttentionCode.WENT_BACK if went_back else AttentionCode.CHANGED,
        f"{'went back' if went_back else 'changed'} from {change.from_text} to {change.to_text},"
        f" between two reports {gap} apart; nobody is known to have planned it",
    )


def attention_of_priority(priority: Priority | None) -> Attention | None:
    if priority not in PRESSING:
        return None
    return Attention(AttentionCode.PRIORITY, f"a reason of priority {priority.value}")


def silent_from(last_at: datetime, policy: Policy) -> datetime:
    """From when on a machine is silent whose last report came at a time."""
    return last_at + timedelta(seconds=policy.silent_after_seconds)


def attention_of_silence(last_at: datetime, policy: Policy, now: datetime) -> Attention | None:
    """`last_at`: when the last report came, or else when the machine enrolled."""
    if now < silent_from(last_at, policy):
        return None
    return Attention(AttentionCode.SILENT, f"no report since {last_at.date()}")


def attention_of_clock(difference_seconds: Maybe[float], policy: Policy) -> Attention | None:
    """`difference_seconds` is the server's clock minus the machine's."""
    if isinstance(difference_seconds, Unknown):
        return None
    if abs(difference_seconds) <= policy.clock_difference_seconds:
        return None
    side = "behind" if difference_seconds > 0 else "ahead"
    return Attention(
        AttentionCode.CLOCK_OFF, f"its clock is {abs(difference_seconds):.0f} s {side}"
    )


def attention_of_agent(version: Maybe[str], newest: str) -> Attention | None:
    """
    Args:
        version: the agent's own.
        newest: the version that an agent should have: the server's.
    """
    if isinstance(version, Unknown) or is_at_least(version, newest) is not False:
        return None
    return Attention(
        AttentionCode.AGENT_OLD, f"its agent {version} is older than the server's {newest}"
    )


def attention_of_report(
    report: Report, problems: Iterable[str], policy: Policy
) -> tuple[Attention, ...]:
    """What one report alone asks attention for.

    Args:
        problems: what was malformed in it, in words.
    """
    return (
        *_failed_attempts(report),
        *_unreadable_firmware(report),
        *_secure_boot(report),
        *_worn_batteries(report, policy),
        *_failing_probes(report),
        *_malformed(tuple(problems)),
        *_dropped(report),
        *_set_aside(report),
    )


def _failed_attempts(report: Report) -> Iterator[Attention]:
    status = last_failure(report.firmware.esrt)
    if status is not None:
        yield Attention(
            AttentionCode.ATTEMPT_FAILED,
            f"the last attempt to update failed: {attempt_status(status)} (status {status})",
        )


def _unreadable_firmware(report: Report) -> Iterator[Attention]:
    text = report.firmware.version_text
    if isinstance(text, Unknown):
        yield Attention(AttentionCode.UNREADABLE, f"no firmware version: {text.because}")
    elif is_placeholder(text):
        yield Attention(
            AttentionCode.UNREADABLE, f"the firmware version is a placeholder: {text!r}"
        )


def _secure_boot(report: Report) -> Iterator[Attention]:
    firmware = report.firmware
    if firmware.boot_mode is BootMode.UEFI and firmware.secure_boot is False:
        yield Attention(AttentionCode.SECURE_BOOT_OFF, "Secure Boot is off")


def _worn_batteries(report: Report, policy: Policy) -> Iterator[Attention]:
    batteries = report.power.batteries
    if isinstance(batteries, Unknown):
        return
    healths = [(health_percent(battery), battery.name) for battery in batteries]
    worn = [
        f"{name} holds {health:.0f} %"
        for health, name in healths
        if health is not None and health < policy.health_percent
    ]
    if worn:
        yield Attention(AttentionCode.BATTERY_WORN, f"{', '.join(worn)} of its design capacity")


def _failing_probes(report: Report) -> Iterator[Attention]:
    probes = report.agent.probes
    if isinstance(probes, Unknown):
        return
    failing = [f"{probe.name}: {probe.failure}" for probe in probes if probe.failure]
    if failing:
        yield Attention(AttentionCode.PROBES_FAILING, "; ".join(failing))


def _malformed(problems: tuple[str, ...]) -> Iterator[Attention]:
    if problems:
        rest = len(problems) - _SHOWN_PROBLEMS
        more = f"; and {rest} more" if rest > 0 else ""
        yield Attention(AttentionCode.MALFORMED, "; ".join(problems[:_SHOWN_PROBLEMS]) + more)


def _dropped(report: Report) -> Iterator[Attention]:
    dropped = report.agent.dropped_reports
    if not isinstance(dropped, Unknown) and dropped > 0:
        yield Attention(AttentionCode.REPORTS_DROPPED, f"its agent had to drop {dropped} reports")


def _set_aside(report: Report) -> Iterator[Attention]:
    aside = report.agent.set_aside_reports
    if not isinstance(aside, Unknown) and aside > 0:
        yield Attention(
            AttentionCode.REPORTS_SET_ASIDE,
            f"its agent keeps {aside} reports that were refused: flashworthy-agent status says why",
        )


def _whole_hours(gap: timedelta) -> str:
    hours = round(gap.total_seconds() / 3600)
    return "less than an hour" if hours < 1 else f"{hours} hour{'s' if hours > 1 else ''}"
