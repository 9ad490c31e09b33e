"""Confirmations: what no agent can see, stated by a named person.

- A confirmation speaks of one thing: this protector, this version. When that thing is another, the
  confirmation has ended, however young it is.
- It ages like any evidence; policy says how long each kind is believed.
"""

from dataclasses import dataclass
from datetime import datetime
from enum import Enum


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
