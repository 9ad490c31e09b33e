"""Confirmations: what no agent can see, stated by a named person.

- A confirmation speaks of one thing: this protector, this version. When that thing is another, the
  confirmation has ended, however young it is.
- It ages like any evidence; policy says how long each kind is believed.
"""

from dataclasses import dataclass
from datetime import datetime
from enum import Enum

from flashworthy_common.report import Report
from flashworthy_common.values import Maybe, Unknown
from flashworthy_common.volumes import sealed_volumes


class Confirmed(Enum):
    """What a person can confirm, and what the confirmation speaks of."""

    RECOVERY_KEY = "recovery-key"  # proven readable; of the protector's id
    SETTINGS_WRITTEN_DOWN = "settings-written-down"  # of the running version
    USER_INFORMED = "user-informed"  # of the target's version
    RECOVERY_ROUTE = "recovery-route"  # known for this machine; of the target's version
    UPS_READY = "ups-ready"  # stands ready for this machine; of nothing
    NO_WAY_BACK = "no-way-back-accepted"  # of the target's version


@dataclass(frozen=True, slots=True, kw_only=True)
class Confirmation:
    """One person's word."""

    what: Confirmed
    of: str  # the protector's id or the version it speaks of; empty for `UPS_READY`
    by: str
    at: datetime


def subjects_now(
    what: Confirmed, report: Report, *, running: Maybe[str], target: str | None
) -> tuple[str, ...]:
    """What a word of this kind can speak of on a machine as it is; empty: of nothing there.

    Args:
        target: the version that it should get, if any.
    """
    match what:
        case Confirmed.UPS_READY:
            return ("",)
        case Confirmed.RECOVERY_KEY:
            return _sealed_protectors(report)
        case Confirmed.SETTINGS_WRITTEN_DOWN:
            return () if isinstance(running, Unknown) else (running,)
        case _:
            return (target,) if target else ()


def _sealed_protectors(report: Report) -> tuple[str, ...]:
    """The ids of what releases the system's volumes, where the TPM does."""
    ids = (volume.protector_id for volume in sealed_volumes(report))
    return tuple(dict.fromkeys(each for each in ids if not isinstance(each, Unknown)))
