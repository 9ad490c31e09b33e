"""Which of two firmware versions is newer, and when nobody can know.

- ``schemes``: the numbering schemes as one table
- ``parse``: a text -> a version
- ``order``: a version against another, and why
"""

from flashworthy_common.versions.order import (
    RULES_VERSION,
    Order,
    compare,
    describe,
    explain,
    sort_key,
)
from flashworthy_common.versions.parse import FirmwareVersion, parse_version

__all__ = [
    "RULES_VERSION",
    "FirmwareVersion",
    "Order",
    "compare",
    "describe",
    "explain",
    "parse_version",
    "sort_key",
]
