"""UUIDs as text (RFC 9562), those of chance (version 4) and those of reports: version 7
(§5.7) sorts by the time they were made.

The standard library's `uuid` looks at the whole platform when it is loaded, on every run of an
agent; nothing here needs more of it than the text.
"""

import re

_UUID = re.compile(
    r"[0-9a-f]{8}-[0-9a-f]{4}-([0-9a-f])[0-9a-f]{3}-([0-9a-f])[0-9a-f]{3}-[0-9a-f]{12}"
)


def uuid_text(octets: bytes) -> str:
    """16 bytes, the most significant first, as the text of a UUID. [RFC 9562 §4]"""
    digits = octets.hex()
    return "-".join((digits[:8], digits[8:12], digits[12:16], digits[16:20], digits[20:]))


def uuid4(random_bits: int) -> str:
    """A version 4 UUID, of nothing but chance. [RFC 9562 §5.4]

    Args:
        random_bits: 122 random bits; the caller brings them.
    """
    a, b, c = random_bits >> 74, random_bits >> 62 & 0xFFF, random_bits & (1 << 62) - 1
    return uuid_text((a << 80 | 4 << 76 | b << 64 | 0b10 << 62 | c).to_bytes(16, "big"))


def uuid7(unix_ms: int, random_bits: int) -> str:
    """A version 7 UUID.

    Args:
        unix_ms: milliseconds since 1970 UTC, 48 bits.
        random_bits: 74 random bits; the caller brings them.
    """
    random_a, random_b = random_bits >> 62 & 0xFFF, random_bits & (1 << 62) - 1
    number = unix_ms << 80 | 7 << 76 | random_a << 64 | 0b10 << 62 | random_b
    return uuid_text(number.to_bytes(16, "big"))


def is_uuid(text: str, *, version: int | None = None) -> bool:
    """Whether `text` is a lower-case UUID of the RFC 9562 variant, of `version` if one is named."""
    match = _UUID.fullmatch(text)
    if not match or match[2] not in "89ab":
        return False
    return version is None or int(match[1], 16) == version
