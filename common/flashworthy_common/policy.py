"""A site's limits: each with its unit in the name, a default, and where the default comes from.

Most defaults are trade practice that no standard sets; they are meant to be changed by whoever
answers for the machines. The maker's own instructions outrank them: where a release states a
stricter condition, the stricter one holds.

A site changes only what it wants otherwise, for all of it or for one place; what is nearest to a
machine holds.
"""

# ruff: noqa: RUF009  (`_limit` makes a dataclass field)

from collections.abc import Iterable, Mapping
from dataclasses import Field, dataclass, field, fields
from enum import Enum
from typing import Any

from flashworthy_common.confirmations import Confirmed
from flashworthy_common.errors import MalformedValueError
from flashworthy_common.reasons import Priority
from flashworthy_common.values import Count, Percent, Seconds, from_json, to_json

HOUR = 3600  # seconds
DAY = 24 * HOUR

PRACTICE = "common practice, no source"


class UpsRule(Enum):
    """What a machine without a battery needs when no UPS is known to feed it."""

    TOLD = "told"  # nothing; the verdict mentions it
    BRING = "bring"  # one is to be brought


def _limit(default: Any, source: str, why: str) -> Any:
    return field(default=default, metadata={"source": source, "why": why})


@dataclass(frozen=True, slots=True, kw_only=True)
class Policy:
    """The limits that verdicts are held against."""

    least_priority: Priority = _limit(
        Priority.SCHEDULED,
        "SSVC deployer tree 1.0.0: `defer` means not to act at present",
        "a reason below this does not suffice",
    )
    release_age_seconds: Seconds = _limit(
        14 * DAY, PRACTICE, "a release younger than this may be withdrawn again"
    )
    waiving_priority: Priority = _limit(
        Priority.OUT_OF_CYCLE, PRACTICE, "from this priority on, a young release is not waited for"
    )
    review_age_seconds: Seconds = _limit(
        90 * DAY, PRACTICE, "an older look at the maker's releases counts as none"
    )
    desk_report_age_seconds: Seconds = _limit(
        24 * HOUR, PRACTICE, "at the desk, an older report is told as old"
    )
    desk_power_age_seconds: Seconds = _limit(
        4 * HOUR, PRACTICE, "at the desk, power and people seen earlier are told as old"
    )
    spot_age_seconds: Seconds = _limit(
        10 * 60, PRACTICE, "on the spot, nothing older is believed: power changes by the minute"
    )
    clock_difference_seconds: Seconds = _limit(
        300, PRACTICE, "a clock further off makes every age doubtful"
    )
    charge_percent: Percent = _limit(
        50, PRACTICE + " (makers ask for 20 to 50)", "battery charge below this is topped up first"
    )
    health_percent: Percent = _limit(
        50, PRACTICE, "a battery that holds less of its design capacity counts as worn"
    )
    ups_rule: UpsRule = _limit(
        UpsRule.BRING, PRACTICE, "what a machine without a battery needs when no UPS is known"
    )
    ups_runtime_factor: Count = _limit(
        3, PRACTICE, "a UPS must last this many times the minutes of the flash"
    )
    ups_charge_percent: Percent = _limit(
        80, PRACTICE, "stands in for the runtime where a UPS does not tell it"
    )
    flash_minutes: Count = _limit(
        20, PRACTICE, "assumed for a release that does not say how long it takes"
    )
    free_bytes: Count = _limit(
        1_000_000_000, PRACTICE, "free space on the system disk, for the maker's program"
    )
    pending_updates_block: bool = _limit(
        False, PRACTICE, "whether pending OS updates must be installed although the release is mute"
    )
    settings_confirmation_age_seconds: Seconds = _limit(
        90 * DAY, PRACTICE, "a person's word about keys, settings and ways of recovery is believed"
    )
    day_confirmation_age_seconds: Seconds = _limit(
        DAY, PRACTICE, "a person's word about today (user informed, UPS ready) is believed"
    )
    plan_age_seconds: Seconds = _limit(
        DAY, PRACTICE, "a machine without a network judges by a plan no older than this"
    )
    silent_after_seconds: Seconds = _limit(
        7 * DAY, PRACTICE, "a machine without a report for longer is silent"
    )
    silent_after_flash_seconds: Seconds = _limit(
        HOUR, PRACTICE, "after the time that a flash takes, silence for longer is an alarm"
    )

    def confirmation_age_seconds(self, what: Confirmed) -> int:
        """How long a person's word of this kind is believed."""
        if what in (Confirmed.USER_INFORMED, Confirmed.UPS_READY):
            return self.day_confirmation_age_seconds
        return self.settings_confirmation_age_seconds


DEFAULT_POLICY = Policy()


def limits() -> tuple[Field[Any], ...]:
    """Every limit, with ``source`` and ``why`` in its metadata."""
    return fields(Policy)


def read_limits(data: Mapping[str, Any]) -> dict[str, Any]:
    """Some limits by name, as JSON knows them, each held to its type and range.

    Raises:
        MalformedValueError: a name is none of a limit's, or a value is not what the limit takes.
    """
    known = [limit.name for limit in limits()]
    for name, value in data.items():
        if name not in known:
            raise MalformedValueError(name, f"a limit of {', '.join(known)}", value)
    read: dict[str, Any] = to_json(from_json(Policy, dict(data)))
    return {name: read[name] for name in data}


def policy_of(layers: Iterable[Mapping[str, Any]]) -> Policy:
    """The policy that follows from limits as `read_limits` gives them.

    Args:
        layers: from the whole site to the place that is nearest; a later one holds.
    """
    merged: dict[str, Any] = {}
    for layer in layers:
        merged |= layer
    return from_json(Policy, merged)
