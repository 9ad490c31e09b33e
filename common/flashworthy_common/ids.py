"""Report ids: UUID version 7 (RFC 9562 §5.7), which sort by the time they were made."""

import re
import uuid

_UUID = re.compile(
    r"[0-9a-f]{8}-[0-9a-f]{4}-([0-9a-f])[0-9a-f]{3}-([0-9a-f])[0-9a-f]{3}-[0-9a-f]{12}"
)


def uuid7(unix_ms: int, random_bits: int) -> uuid.UUID:
    """A version 7 UUID.

    Args:
        unix_ms: milliseconds since 1970 UTC, 48 bits.
        random_bits: 74 random bits; the caller brings them.
    """
    random_a, random_b = random_bits >> 62 & 0xFFF, random_bits & (1 << 62) - 1
    return uuid.UUID(int=unix_ms << 80 | 7 << 76 | random_a << 64 | 0b10 << 62 | random_b)


def is_uuid(text: str, *, version: int | None = None) -> bool:
    """Whether `text` is a lower-case UUID of the RFC 9562 variant, of `version` if one is named."""
    match = _UUID.fullmatch(text)
    if not match or match[2] not in "89ab":
        return False
    return version is None or int(match[1], 16) == version
