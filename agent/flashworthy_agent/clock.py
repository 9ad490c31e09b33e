"""The time of day, as everything here that needs one takes it by default."""

from datetime import UTC, datetime


def utc_now() -> datetime:
    return datetime.now(UTC)
