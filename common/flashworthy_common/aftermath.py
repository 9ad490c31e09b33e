"""What came of a flash: recognised from the reports before it and after it.

The record closes itself: a person says that a flash was started, and the machine's own reports say
the rest. Rules:

- A report says something about a flash only once the machine was restarted since, or shows
  another version: firmware changes take effect with a restart.
- An unchanged version is a result only after the time that the flash takes: some need several
  restarts. It may still be corrected by a later report; every other result stands.
- The version decides. The firmware's own record of the last attempt (ESRT, UEFI §23.4) says why,
  where the machine has one; it is not required.
- What else a flash may leave behind asks for attention: protection that was not resumed, Secure
  Boot that changed, a clock that went back.
- A machine that stays silent for longer than policy allows may not have come back.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import Enum

from flashworthy_common.attention import Attention, AttentionCode
from flashworthy_common.esrt import attempt_status, last_failure
from flashworthy_common.makers import Combination
from flashworthy_common.ordering import Ordering
from flashworthy_common.policy import Policy
from flashworthy_common.report import Report, Why
from flashworthy_common.values import Count, Unknown
from flashworthy_common.versions import Order


class Result(Enum):
    DONE = "done"  # the target runs
    NEXT_STEP = "next-step"  # the stepping stone runs: the next flash is due
    UNCHANGED = "unchanged"
    ANOTHER = "another"  # neither the version before nor the one that was meant
    OLDER = "older"  # than the version before


@dataclass(frozen=True, slots=True, kw_only=True)
class Flash:
    """One flash that a person said was started."""

    from_text: str  # the running version
    to_text: str  # the version that was meant
    target_text: str  # where the path ends; the same as `to_text` in its last step
    by: str
    started_at: datetime
    minutes: Count  # that it was expected to take
    done_at: datetime | None = None  # when a person said that it is done; the report decides

    @property
    def expected_at(self) -> datetime:
        """When the machine should have come back."""
        return self.started_at + timedelta(minutes=self.minutes)


@dataclass(frozen=True, slots=True)
class Seen:
    """A report, and when it was taken by the server's clock."""

    report: Report
    taken_at: datetime

    def restarted_since(self, time: datetime) -> bool:
        uptime_seconds = self.report.uptime_seconds
        if isinstance(uptime_seconds, Unknown):
            return self.report.why is Why.START_UP and self.taken_at > time
        return self.taken_at - timedelta(seconds=uptime_seconds) > time


@dataclass(frozen=True, slots=True)
class Aftermath:
    """What came of a flash, in words too, and whether a later report may say otherwise."""

    result: Result
    says: str

    @property
    def is_final(self) -> bool:
        return self.result is not Result.UNCHANGED


def aftermath(flash: Flash, after: Seen, combination: Combination) -> Aftermath | None:
    """What came of `flash` by a report taken after its start; none as long as nothing can be said.

    Args:
        combination: of the report.
    """
    running = after.report.firmware.version_text
    if after.taken_at <= flash.started_at or isinstance(running, Unknown):
        return None
    to_before = Ordering.of(combination).compare(running, flash.from_text)
    if running == flash.from_text or to_before is Order.SAME:
        return _unchanged(flash, after)
    says = f"from {flash.from_text} to {running}"
    if Ordering.of(combination).compare(running, flash.to_text) is Order.SAME:
        if flash.to_text == flash.target_text:
            return Aftermath(Result.DONE, says)
        return Aftermath(Result.NEXT_STEP, f"{says}; next on the way to {flash.target_text}")
    says = f"{says}, and {flash.to_text} was meant{_cause(after.report)}"
    return Aftermath(Result.OLDER if to_before is Order.OLDER else Result.ANOTHER, says)


def attention_of_aftermath(found: Aftermath) -> Attention | None:
    """Only what did not go as it was meant."""
    if found.result in (Result.DONE, Result.NEXT_STEP):
        return None
    code = AttentionCode.WENT_BACK if found.result is Result.OLDER else AttentionCode.NOT_UPDATED
    return Attention(code, f"after a flash: {found.says}")


def left_behind(
    found: Aftermath, before: Report, after: Report, policy: Policy
) -> tuple[Attention, ...]:
    """What a flash changed that nobody meant to change.

    Args:
        before: the last report before the flash.
        after: any report since `found` came of it.
    """
    return (
        *_protection_off(found, after),
        *_secure_boot_changed(before, after),
        *_clock_reset(before, after, policy),
    )


def attention_of_silence_after(flash: Flash, last_at: datetime) -> Attention:
    """Of a flash of which nothing came until `alarm_at`.

    Args:
        last_at: when the last report came.
    """
    says = f"{flash.by} started a flash to {flash.to_text} at {_minute(flash.started_at)}"
    seen = "no restart was seen since" if last_at > flash.started_at else "no report came since"
    return Attention(AttentionCode.SILENT_AFTER_FLASH, f"{says}; {seen}")


def alarm_at(flash: Flash, policy: Policy) -> datetime:
    """When silence after a flash asks for attention."""
    return flash.expected_at + timedelta(seconds=policy.silent_after_flash_seconds)


def _unchanged(flash: Flash, after: Seen) -> Aftermath | None:
    is_over = after.taken_at >= flash.expected_at and after.restarted_since(flash.started_at)
    queued = after.report.firmware.update_queued
    if not is_over or (queued and not isinstance(queued, Unknown)):
        return None
    says = f"still {flash.from_text}, and {flash.to_text} was meant{_cause(after.report)}"
    return Aftermath(Result.UNCHANGED, says)


def _cause(report: Report) -> str:
    """What the firmware itself says of its last attempt."""
    status = last_failure(report.firmware.esrt)
    return "" if status is None else f"; it says: {attempt_status(status)} (status {status})"


def _protection_off(found: Aftermath, after: Report) -> Iterator[Attention]:
    """Between the steps of a path it may stay suspended."""
    volumes = after.protection.volumes
    if isinstance(volumes, Unknown) or found.result is Result.NEXT_STEP:
        return
    counts = [(volume.name, volume.suspended_restarts) for volume in volumes]
    off = [f"{name} for {count} more restarts" for name, count in counts
           if not isinstance(count, Unknown) and count]  # fmt: skip
    if off:
        yield Attention(
            AttentionCode.PROTECTION_OFF,
            f"after a flash: protection is still suspended: {', '.join(off)}; resume it",
        )


def _secure_boot_changed(before: Report, after: Report) -> Iterator[Attention]:
    was, is_now = before.firmware.secure_boot, after.firmware.secure_boot
    if isinstance(was, Unknown) or isinstance(is_now, Unknown) or was == is_now:
        return
    words = {True: "on", False: "off"}
    yield Attention(
        AttentionCode.SECURE_BOOT_CHANGED,
        f"after a flash: Secure Boot was {words[was]} and is {words[is_now]}",
    )


def _clock_reset(before: Report, after: Report, policy: Policy) -> Iterator[Attention]:
    """Both by the machine's own clock: it can only have gone on."""
    back = before.taken_at - after.taken_at
    if back <= timedelta(seconds=policy.clock_difference_seconds):
        return
    yield Attention(
        AttentionCode.CLOCK_RESET,
        f"after a flash: its clock went back to {after.taken_at.date()}; look at its settings, "
        "and at the battery that keeps them",
    )


def _minute(time: datetime) -> str:
    return f"{time:%Y-%m-%d %H:%M} UTC"
