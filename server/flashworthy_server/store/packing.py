"""Bodies as they lie in the database: zlib-compressed JSON, recoverable byte for byte.

- A whole body stands for itself.
- Any other is held against a whole body of the same machine and month, which serves as the preset
  dictionary of its compression (RFC 1950 §2.2, FDICT): an unchanged report costs little more than
  its times. zlib's checksums tell if it is unpacked with another dictionary or was damaged.
- Where little is left in common, the body is kept whole, and later ones are held against it.
"""

import json
import zlib
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cached_property
from typing import Any

_LEVEL = 6  # zlib's default; a report of 6 KB shrinks to about a third
_DIFFERENCE_LEVEL = 3  # half the time of level 6, for a sixth more bytes
_WINDOW_BITS = 14  # 16 KiB: what reports have in common lies within; larger ones cost setting up
_MEMORY_LEVEL = 7
_WORTH = 0.5  # of the whole body: a larger difference is kept whole


@dataclass(frozen=True)
class Whole:
    """A body of a machine that its later ones of the same month are held against."""

    number: int  # of its report
    received_at: datetime
    packed: bytes

    @cached_property
    def text(self) -> bytes:
        return unpacked_text(self.packed)


@dataclass(frozen=True, slots=True)
class Packed:
    """A body to be kept, as such or against a whole one."""

    body: bytes
    whole: int | None  # number of the report that it is held against; none: it is whole


def pack(body: bytes, whole: Whole | None, received_at: datetime) -> Packed:
    """A report's body for the history, against `whole` where that serves."""
    if whole is not None and _month(whole.received_at) == _month(received_at):
        difference = packed_against(body, whole.text)
        if len(difference) <= _WORTH * len(whole.packed):
            return Packed(difference, whole.number)
    return Packed(packed_text(body), None)


def packed_against(body: bytes, whole: bytes) -> bytes:
    """What differs from the text of a whole body."""
    packer = zlib.compressobj(
        _DIFFERENCE_LEVEL, zlib.DEFLATED, _WINDOW_BITS, _MEMORY_LEVEL, zdict=whole
    )
    return packer.compress(body) + packer.flush()


def unpacked_against(difference: bytes, whole: bytes) -> bytes:
    """A body, byte for byte, from what differs from the text of a whole one."""
    unpacker = zlib.decompressobj(zdict=whole)
    return unpacker.decompress(difference) + unpacker.flush()


def packed(data: Any) -> bytes:
    return packed_text(json.dumps(data, separators=(",", ":")).encode())


def packed_text(body: bytes) -> bytes:
    """A JSON text as it came, byte for byte."""
    return zlib.compress(body, _LEVEL)


def unpacked_text(body: bytes) -> bytes:
    return zlib.decompress(body)


def unpacked(body: bytes) -> Any:
    return json.loads(unpacked_text(body))


def _month(time: datetime) -> tuple[int, int]:
    """By which the history is split, in UTC."""
    utc = time.astimezone(UTC)
    return utc.year, utc.month
