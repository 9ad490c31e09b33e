"""Which of two firmware versions is newer, and when nobody can know.

- ``schemes``: the numbering schemes as one table
- ``parse``: a text -> a version
- ``order``: a version against another
- ``explain``: what was read, and why one stands so to the other, in words
"""

from flashworthy_common.versions.explain import describe, explain
from flashworthy_common.versions.order import RULES_VERSION, Order, compare, is_release, sort_key
from flashworthy_common.versions.parse import FirmwareVersion, parse_version
from flashworthy_common.versions.schemes import Meaning

__all__ = [
    "RULES_VERSION",
    "FirmwareVersion",
    "Meaning",
    "Order",
    "compare",
    "describe",
    "explain",
    "is_release",
    "parse_version",
    "sort_key",
]
