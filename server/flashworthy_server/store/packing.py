"""Bodies as they lie in the database: zlib-compressed JSON."""

import json
import zlib
from typing import Any

_LEVEL = 6  # zlib's default; a report of 6 KB shrinks to about a third


def packed(data: Any) -> bytes:
    return packed_text(json.dumps(data, separators=(",", ":")).encode())


def packed_text(body: bytes) -> bytes:
    """A JSON text as it came, byte for byte."""
    return zlib.compress(body, _LEVEL)


def unpacked(body: bytes) -> Any:
    return json.loads(zlib.decompress(body))
