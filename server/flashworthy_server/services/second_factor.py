"""The second factor: time-based one-time passwords (RFC 6238), and codes for when it is lost.

A time-based code is taken once: its step must be later than the last one used. One step before
and after the present one is taken too, for clocks that differ (RFC 6238 §5.2).
"""

import hmac
import secrets
from datetime import datetime

import pyotp

STEP_SECONDS = 30  # RFC 6238 §4.1
_STEPS_OFF = (0, -1, 1)
ISSUER = "Flashworthy"

RECOVERY_CODES = 10
_CODE_ALPHABET = "abcdefghjkmnpqrstvwxyz0123456789"  # no i, l, o, u: read from paper and typed
_CODE_GROUPS, _CODE_GROUP_LETTERS = 4, 6  # 32 letters each: 120 random bits (ASVS V6.5.2)


def new_secret() -> str:
    """160 random bits in base32 (RFC 4226 §4, R6)."""
    return pyotp.random_base32(32)


def uri_of(secret: str, account: str) -> str:
    """What an authenticator reads from a QR code."""
    return pyotp.TOTP(secret).provisioning_uri(name=account, issuer_name=ISSUER)


def step_of(secret: str, code: str, now: datetime, *, after: int | None) -> int | None:
    """The time step whose code it is; none where it is wrong, or not later than `after`."""
    totp, present = pyotp.TOTP(secret), int(now.timestamp()) // STEP_SECONDS
    given = "".join(code.split())
    for step in (present + off for off in _STEPS_OFF):
        right = totp.generate_otp(step)
        is_right = hmac.compare_digest(right.encode(), given.encode("utf-8", "replace"))
        if is_right and (after is None or step > after):
            return step
    return None


def new_recovery_codes() -> list[str]:
    return [_recovery_code() for _ in range(RECOVERY_CODES)]


def _recovery_code() -> str:
    return "-".join(
        "".join(secrets.choice(_CODE_ALPHABET) for _ in range(_CODE_GROUP_LETTERS))
        for _ in range(_CODE_GROUPS)
    )
